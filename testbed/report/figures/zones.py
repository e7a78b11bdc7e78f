"""The plan's keep-out zones as a view shows them: hatched, each with its name, told apart without any colour."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Circle, Patch, Rectangle
from numpy.typing import NDArray

from testbed.plan.formation_schema import AnyKeepOut, KeepOutCircle, full
from testbed.report.figures.style import EDGE, PLATE, ZONE

HATCH = "////"
LINE_LENGTH = 18
"""Characters in a line of a name."""
HIGH = 0.25
"""Share of a view's height from which a zone has room for its name."""
FROM_ABOVE, FROM_THE_SIDE = (0, 1), (0, 2)
"""Components of a position that a view shows."""

Corner = NDArray[np.float64]
"""Shape (2,), m."""


def draw_zones(axes: Axes, zones: Sequence[AnyKeepOut], shown: tuple[int, int] = FROM_ABOVE) -> None:
    """Draw zones, projected onto the components `shown`, below tracks and vehicles.

    The limits of the axes must be set, as a name stands where what can be seen of its zone leaves room for it.
    """
    for zone in zones:
        patch, low, high = _outline(zone, shown)
        patch.set(facecolor=ZONE, edgecolor=EDGE, hatch=HATCH, linewidth=1.2, zorder=0.8)
        axes.add_patch(patch)
        (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
        low, high = np.maximum(low, (left, bottom)), np.minimum(high, (right, top))
        if np.all(low < high):
            _write_name(axes, textwrap.fill(zone.name, LINE_LENGTH), low, high)


def _write_name(axes: Axes, name: str, low: Corner, high: Corner) -> None:
    """In the middle of a high zone; else beside it, on the side where there is more room."""
    bottom, top = axes.get_ylim()
    middle = (low + high) / 2.0
    y, offset, side = middle[1], 0, "center"
    if high[1] - low[1] < HIGH * (top - bottom):
        above = middle[1] < (bottom + top) / 2.0
        y, offset, side = (high[1], 3, "bottom") if above else (low[1], -3, "top")
    axes.annotate(
        name,
        (middle[0], y),
        xytext=(0, offset),
        textcoords="offset points",
        ha="center",
        va=side,
        color=EDGE,
        fontsize=7,
        bbox=PLATE,
        zorder=1,
        parse_math=False,
    )


def _outline(zone: AnyKeepOut, shown: tuple[int, int]) -> tuple[Patch, Corner, Corner]:
    """The zone as a patch, and the corners of the rectangle around it, m."""
    if isinstance(zone, KeepOutCircle):
        centre = np.array((zone.x, zone.y, zone.z))[list(shown)]
        return Circle(tuple(centre), zone.radius), centre - zone.radius, centre + zone.radius
    low, high = (np.array(full(corner))[list(shown)] for corner in (zone.low, zone.high))
    return Rectangle(tuple(low), *(high - low)), low, high
