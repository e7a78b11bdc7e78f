"""Distance between vehicles over time, with its minimum."""

from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
from matplotlib.figure import Figure

from testbed.plan.criteria_schema import Separation
from testbed.plan.geometry import separations
from testbed.report.figures.context import TryContext, thinned
from testbed.report.figures.style import (
    EDGE,
    PLATE,
    VEHICLE_COLOURS,
    VEHICLE_LINES,
    legend_above,
    limit_line,
    new_figure,
)

PERIOD = 0.1
PAIR_COLOURS = VEHICLE_COLOURS[3:] + VEHICLE_COLOURS[:3]
"""Others than those of the first vehicles, as a pair is neither of the two."""


def draw_separation(context: TryContext) -> Figure | None:
    """Each pair's distance, centre to centre; None for a lone vehicle."""
    pairs = list(combinations(context.vehicles, 2))
    if not pairs:
        return None
    figure, grid = new_figure(2.4)
    axes = grid[0, 0]
    styles: dict[str, dict[str, Any]] = {}
    smallest: tuple[float, float] | None = None
    for index, (first, second) in enumerate(pairs):
        a, b = (context.during(context.samples.truth[name]) for name in (first, second))
        stamps, values = separations(thinned(a, PERIOD), b, context.samples.dimensions)
        if not len(values):
            continue
        time = context.time(stamps)
        style = {"color": PAIR_COLOURS[index % len(PAIR_COLOURS)], "linestyle": VEHICLE_LINES[index % 4]}
        axes.plot(time, values, **style)
        styles[f"{first}, {second}"] = style
        lowest = int(np.argmin(values))
        if smallest is None or values[lowest] < smallest[1]:
            smallest = float(time[lowest]), float(values[lowest])
    limit = required(context)
    limit_line(axes, limit, 0.0, context.duration, f"required {limit:g} m")
    if smallest is not None:
        axes.plot(*smallest, marker="v", color=EDGE, markersize=6, linestyle="none", clip_on=False)
        axes.annotate(
            f"{smallest[1]:.3f} m",
            smallest,
            xytext=(0, 6),
            textcoords="offset points",
            ha="right"
            if smallest[0] > 0.9 * context.duration
            else "left"
            if smallest[0] < 0.1 * context.duration
            else "center",
            fontsize=7.5,
            color=EDGE,
            bbox=PLATE,
        )
    axes.set_xlim(0.0, context.duration)
    axes.set_ylim(0.0, None)
    axes.set_xlabel("time in the try, s")
    axes.set_ylabel("distance, m")
    legend_above(figure, styles)
    return figure


def required(context: TryContext) -> float:
    """The strictest minimum of the run's criteria, or else the one of the place, m."""
    asked = [one.minimum for one in context.run.criteria if isinstance(one, Separation)]
    return max(asked, default=context.configuration.room.separation)
