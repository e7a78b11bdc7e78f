"""Valves over time: which were open how much, and how often."""

from __future__ import annotations

import numpy as np
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.figure import Figure
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S
from testbed.record.load import ValveStates
from testbed.report.figures.context import TryContext
from testbed.report.figures.style import EDGE, new_figure

LARGEST_COLUMNS = 600
SMALLEST_BIN = 0.1


def draw_valves(context: TryContext) -> Figure | None:
    """Share of each bin that each valve was open, and the duty over the try; None if nothing was recorded."""
    vehicles = {name: look for name, look in context.vehicles.items() if context.record(name).valves.names}
    if not vehicles:
        return None
    rows = sum(len(context.record(name).valves.names) for name in vehicles)
    heights = [len(context.record(name).valves.names) for name in vehicles]
    figure, grid = new_figure(
        0.6 + 0.3 * len(vehicles) + 0.125 * rows,
        len(vehicles),
        2,
        left=1.3,
        top=0.22,
        gap=0.3,
        width_ratios=(5, 1),
        height_ratios=heights,
        sharex="col",
    )
    start, end = context.samples.start, context.samples.end
    bins = int(np.clip(np.ceil(context.duration / SMALLEST_BIN), 1, LARGEST_COLUMNS))
    highest = 0.1
    for (raster, duty), (name, look) in zip(grid, vehicles.items(), strict=True):
        valves = context.record(name).valves
        shares = open_shares(valves, np.linspace(start, end, bins + 1).astype(np.int64))
        colours = LinearSegmentedColormap.from_list(name, ["#ffffff", look.colour])
        extent = (0.0, context.duration, len(valves.names) - 0.5, -0.5)
        raster.imshow(shares, aspect="auto", cmap=colours, vmin=0.0, vmax=1.0, extent=extent, interpolation="none")
        raster.set_yticks(range(len(valves.names)), [label.replace("_", " ") for label in valves.names], fontsize=6.5)
        raster.grid(False)
        raster.set_title(name)
        mean = 100.0 * shares.mean(axis=1)
        duty.barh(range(len(mean)), mean, color=look.colour, height=0.7)
        duty.set_ylim(len(mean) - 0.5, -0.5)
        duty.set_yticks([])
        label = {"textcoords": "offset points", "va": "center", "fontsize": 6, "color": EDGE}
        for index, value in enumerate(mean):
            duty.annotate(f"{value:.1f}", (value, index), xytext=(2, 0), **label)
        highest = max(highest, float(mean.max()))
    grid[-1, 1].set_xlim(0.0, 1.3 * highest)
    grid[-1, 0].set_xlabel("time in the try, s")
    grid[-1, 1].set_xlabel("duty, %")
    return figure


def open_shares(valves: ValveStates, edges: NDArray[np.int64]) -> NDArray[np.float64]:
    """Share of each bin that each valve was open, shape (valves, bins); `edges` are the stamps (ns) between bins."""
    if not len(valves.stamps):
        return np.zeros((len(valves.names), len(edges) - 1))
    # open time up to each stamp, then linear between stamps, as a valve stays as it is between its edges
    lasting = np.diff(valves.stamps, append=valves.stamps[-1] + NS_PER_S // 10).astype(np.float64)
    opened = np.vstack([np.zeros(len(valves.names)), np.cumsum(valves.open * lasting[:, None], axis=0)])
    moments = np.append(valves.stamps, valves.stamps[-1] + NS_PER_S // 10) - edges[0]
    at = (edges - edges[0]).astype(np.float64)
    totals = np.array([np.interp(at, moments.astype(np.float64), column) for column in opened.T])
    return np.asarray(np.diff(totals, axis=1) / np.diff(at))
