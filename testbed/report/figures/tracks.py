"""Top view: where each vehicle went, to scale."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle
from numpy.typing import NDArray

from testbed.description.vehicle import Vehicle
from testbed.plan.geometry import separations
from testbed.report.figures.context import TryContext, headings, thinned
from testbed.report.figures.style import EDGE, GOAL, QUIET, SURFACE, Look, new_figure, vehicle_legend
from testbed.report.figures.zones import draw_zones

TRACK_PERIOD = 0.2
MOMENTS = {"start": 0.10, "closest": 0.0, "end": 0.45}
"""Key moments at which outlines are drawn, and how strongly they are filled."""


def draw_tracks(context: TryContext) -> Figure:
    """Tracks in the fixed frame with outlines of the vehicles at the start, at their closest and at the end."""
    figure, grid = new_figure(5.6)
    axes = grid[0, 0]
    _draw_floor(axes, context)
    draw_zones(axes, context.configuration.plan.keep_out)
    moment = closest_moment(context)
    for name, look in context.vehicles.items():
        track = context.during(context.samples.truth[name])
        if not len(track):
            continue
        vehicle = context.configuration.vehicles[name]
        path = thinned(track, TRACK_PERIOD)
        axes.plot(path["position"][:, 0], path["position"][:, 1], linewidth=1.4, **look.plot)
        _draw_vehicle(axes, vehicle, track[0], look, MOMENTS["start"], (0, (2, 1.5)), context.configuration.place)
        if moment is not None:
            at = track[np.clip(np.searchsorted(track["stamp"], moment), 0, len(track) - 1)]
            _draw_vehicle(axes, vehicle, at, look, MOMENTS["closest"], ":", context.configuration.place)
        _draw_vehicle(axes, vehicle, track[-1], look, MOMENTS["end"], "-", context.configuration.place)
        if coast := context.coasts.get(name):
            points = np.array(coast["track"])
            axes.plot(points[:, 0], points[:, 1], color=look.colour, linewidth=1.2, linestyle=(0, (1, 1.5)), zorder=2)
            axes.plot(*points[-1], marker="x", color=look.colour, markersize=8, markeredgewidth=1.6, zorder=4)
        goal = context.samples.goals[name]
        axes.plot(*goal.position[:2], marker="+", color=GOAL, markersize=9, markeredgewidth=1.1, linestyle="none")
    axes.set_aspect("equal")
    axes.set_xlabel(f"x in {context.configuration.place}, m")
    axes.set_ylabel(f"y in {context.configuration.place}, m")
    vehicle_legend(figure, context.vehicles)
    return figure


def closest_moment(context: TryContext) -> int | None:
    """Stamp ns at which two vehicles were closest; None for a lone one."""
    best: tuple[float, int] | None = None
    names = list(context.vehicles)
    for index, first in enumerate(names):
        for second in names[index + 1 :]:
            a, b = (context.during(context.samples.truth[name]) for name in (first, second))
            stamps, values = separations(a, b, context.samples.dimensions)
            if len(values) and (best is None or values.min() < best[0]):
                best = float(values.min()), int(stamps[np.argmin(values)])
    return best[1] if best else None


def _draw_floor(axes: Axes, context: TryContext) -> None:
    table, cabin = context.configuration.table, context.configuration.cabin
    if table is not None:
        axes.add_patch(Polygon(table.outline, closed=True, facecolor=SURFACE, edgecolor=EDGE, linewidth=1.4, zorder=0))
        (left, low), (right, high) = table.working_area
        area = Rectangle((left, low), right - left, high - low, fill=False, edgecolor=QUIET, linestyle="--", zorder=0.5)
        axes.add_patch(area)
        axes.annotate("working area", (left, high), xytext=(3, -10), textcoords="offset points", color=EDGE, fontsize=7)
        corners = np.array(table.outline)
    else:
        assert cabin is not None, "a session has a table or a cabin"
        half = np.array(cabin.size[:2]) / 2.0
        corners = np.array([-half, half])
        axes.add_patch(Rectangle((-half[0], -half[1]), *(2.0 * half), facecolor=SURFACE, edgecolor=EDGE, zorder=0))
    margin = 0.1
    axes.set_xlim(corners[:, 0].min() - margin, corners[:, 0].max() + margin)
    axes.set_ylim(corners[:, 1].min() - margin, corners[:, 1].max() + margin)
    axes.grid(False)


def _draw_vehicle(
    axes: Axes, vehicle: Vehicle, record: np.void, look: Look, fill: float, line: object, place: str
) -> None:
    """The prism with a stroke that points forward, and the disc that touches."""
    x, y = record["position"][:2]
    heading = float(headings(record.reshape(1))[0])
    outline = vehicle.shape.outline() @ _turn(heading).T + (x, y)
    edge = {"edgecolor": look.colour, "linestyle": line, "linewidth": 0.9}
    axes.add_patch(Polygon(outline, closed=True, facecolor=(look.colour, fill), zorder=3, **edge))
    axes.add_patch(Circle((x, y), vehicle.contact_radius("table" if place == "table" else "cabin"), fill=False, **edge))
    forward = _turn(heading) @ np.array([vehicle.shape.width / 2.0, 0.0])
    axes.plot([x, x + forward[0]], [y, y + forward[1]], color=look.colour, linewidth=1.0, zorder=3)


def _turn(angle: float) -> NDArray[np.float64]:
    return np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
