"""Side view of a try in the cabin, along y, to scale: the height, which the view from above does not show."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

from testbed.description.rotation import rotate
from testbed.description.vehicle import Vehicle
from testbed.report.figures.context import TryContext, thinned
from testbed.report.figures.style import EDGE, GOAL, SURFACE, Look, new_figure, vehicle_legend
from testbed.report.figures.zones import FROM_THE_SIDE, draw_zones

TRACK_PERIOD = 0.2
_SIDE = [0, 2]
"""Components that the view shows."""


def draw_side_view(context: TryContext) -> Figure | None:
    """Tracks over x and z with outlines at the start and at the end; None on the table."""
    cabin = context.configuration.cabin
    if cabin is None:
        return None
    figure, grid = new_figure(4.8)
    axes = grid[0, 0]
    half = np.array(cabin.size)[_SIDE] / 2.0
    axes.add_patch(Rectangle(tuple(-half), *(2.0 * half), facecolor=SURFACE, edgecolor=EDGE, zorder=0))
    axes.set_xlim(-half[0] - 0.1, half[0] + 0.1)
    axes.set_ylim(-half[1] - 0.1, half[1] + 0.1)
    draw_zones(axes, context.configuration.plan.keep_out, FROM_THE_SIDE)
    for name, look in context.vehicles.items():
        track = context.during(context.samples.truth[name])
        if not len(track):
            continue
        vehicle = context.configuration.vehicles[name]
        path = thinned(track, TRACK_PERIOD)["position"][:, _SIDE]
        axes.plot(path[:, 0], path[:, 1], linewidth=1.4, **look.plot)
        _draw_vehicle(axes, vehicle, track[0], look, 0.10, (0, (2, 1.5)))
        _draw_vehicle(axes, vehicle, track[-1], look, 0.45, "-")
        goal = np.array(context.samples.goals[name].position)[_SIDE]
        axes.plot(*goal, marker="+", color=GOAL, markersize=9, markeredgewidth=1.1, linestyle="none")
    axes.set_aspect("equal")
    axes.set_xlabel("x in cabin, m")
    axes.set_ylabel("z in cabin, m")
    axes.grid(False)
    vehicle_legend(figure, context.vehicles)
    return figure


def silhouette(vehicle: Vehicle, orientation: NDArray[np.float64]) -> NDArray[np.float64]:
    """Outline of the turned prism seen along y: x and z of its corners around base_link, shape (n, 2), m."""
    corners = np.array([rotate(orientation, tuple(corner)) for corner in vehicle.shape.prism().reshape(-1, 3)])
    seen = corners[:, _SIDE]
    return np.asarray(seen[ConvexHull(seen).vertices])


def _draw_vehicle(axes: Axes, vehicle: Vehicle, record: np.void, look: Look, fill: float, line: object) -> None:
    """The prism with a stroke that points forward, and the sphere that touches."""
    centre = record["position"][_SIDE]
    orientation = np.array(record["orientation"])
    edge = {"edgecolor": look.colour, "linestyle": line, "linewidth": 0.9}
    outline = silhouette(vehicle, orientation) + centre
    axes.add_patch(Polygon(outline, closed=True, facecolor=(look.colour, fill), zorder=3, **edge))
    axes.add_patch(Circle(tuple(centre), vehicle.contact_radius("cabin"), fill=False, **edge))
    forward = np.array(rotate(orientation, (vehicle.shape.width / 2.0, 0.0, 0.0)))[_SIDE]
    axes.plot(
        [centre[0], centre[0] + forward[0]],
        [centre[1], centre[1] + forward[1]],
        color=look.colour,
        linewidth=1.0,
        zorder=3,
    )
