"""Gas used over time."""

from __future__ import annotations

from matplotlib.figure import Figure

from testbed.plan.criteria_schema import GasUsed
from testbed.report.figures.context import TryContext
from testbed.report.figures.style import limit_line, new_figure, vehicle_legend


def draw_gas(context: TryContext) -> Figure | None:
    """Gas used since the try began, g; None if no tank was measured."""
    figure, grid = new_figure(2.1)
    axes = grid[0, 0]
    drawn = False
    for name, look in context.vehicles.items():
        gas = context.during(context.samples.gas[name])
        if len(gas):
            axes.plot(context.time(gas["stamp"]), 1e3 * (gas["mass"][0] - gas["mass"]), **look.plot)
            drawn = True
    if not drawn:
        return None
    limits = [one.limit_g for one in context.run.criteria if isinstance(one, GasUsed)]
    if limits:
        limit_line(axes, min(limits), 0.0, context.duration, f"limit {min(limits):g} g")
    axes.set_xlim(0.0, context.duration)
    axes.set_ylim(0.0, None)
    axes.margins(y=0.15)
    axes.set_xlabel("time in the try, s")
    axes.set_ylabel("gas used, g")
    vehicle_legend(figure, context.vehicles)
    return figure
