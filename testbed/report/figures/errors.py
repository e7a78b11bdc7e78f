"""Errors over time, each beside the limit it is held against."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from testbed.plan.criteria import window
from testbed.plan.criteria_schema import AttitudeError, PositionError
from testbed.plan.geometry import angles_deg, distances, orientations_at, positions_at
from testbed.report.figures.context import TryContext, thinned
from testbed.report.figures.style import WINDOW, limit_line, new_figure, vehicle_legend

PERIOD = 0.1
SHOWN_LIMITS = 2.5
"""The axis ends at so many times the limit, where what matters is well below what is on the way."""


def draw_errors(context: TryContext) -> Figure | None:
    """One panel per criterion on position or attitude; None for a run that has none."""
    criteria = [one for one in context.run.criteria if isinstance(one, PositionError | AttitudeError)]
    if not criteria:
        return None
    figure, grid = new_figure(0.55 + 1.5 * len(criteria), len(criteria), top=0.45, sharex=True)
    for axes, criterion in zip(grid[:, 0], criteria, strict=True):
        _draw_panel(axes, context, criterion)
    grid[-1, 0].set_xlabel("time in the try, s")
    vehicle_legend(figure, context.vehicles)
    return figure


def _draw_panel(axes: Axes, context: TryContext, criterion: PositionError | AttitudeError) -> None:
    position = isinstance(criterion, PositionError)
    limit, scale = (criterion.limit, 1e3) if isinstance(criterion, PositionError) else (criterion.limit_deg, 1.0)
    unit = "mm" if position else "°"
    begin, end = (float(value) for value in context.time(np.array(window(criterion, *_span(context)))))
    axes.axvspan(begin, end, color=WINDOW, zorder=0)
    highest = 1.15 * limit
    for name in criterion.vehicles or context.vehicles:
        if name not in context.vehicles:
            continue
        stamps, values = error_series(context, criterion, name)
        time = context.time(stamps)
        axes.plot(time, scale * values, **context.vehicles[name].plot)
        inside = values[(time >= begin) & (time <= end)]
        highest = max(highest, 1.15 * float(inside.max())) if len(inside) else highest
        highest = max(highest, min(SHOWN_LIMITS * limit, 1.15 * float(values.max()))) if len(values) else highest
    limit_line(axes, scale * limit, begin, end, f"limit {scale * limit:g} {unit}".replace(" °", "°"))
    axes.set_ylim(0.0, scale * highest)
    axes.set_xlim(0.0, context.duration)
    axes.set_ylabel(f"{'distance' if position else 'angle'}, {unit}")
    axes.set_title(f"{criterion.name}: {'position' if position else 'attitude'} against {criterion.against}")


def error_series(
    context: TryContext, criterion: PositionError | AttitudeError, vehicle: str
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Stamps ns and error, m or degrees, of one vehicle over the try."""
    truth = context.during(context.samples.truth[vehicle])
    if not len(truth):
        return np.zeros(0, np.int64), np.zeros(0)
    goal = context.samples.goals[vehicle]
    wanted = thinned(truth, PERIOD)
    target_position, target_attitude = np.array(goal.position), np.array(goal.orientation)
    if criterion.against == "reference":
        wanted = context.during(context.samples.reference[vehicle])
        wanted = wanted[(wanted["stamp"] >= truth["stamp"][0]) & (wanted["stamp"] <= truth["stamp"][-1])]
        target_position, target_attitude = wanted["position"], wanted["orientation"]
    stamps = wanted["stamp"]
    if not len(stamps):
        return stamps, np.zeros(0)
    if isinstance(criterion, PositionError):
        return stamps, distances(positions_at(stamps, truth), target_position, context.samples.dimensions)
    return stamps, angles_deg(orientations_at(stamps, truth), target_attitude)


def _span(context: TryContext) -> tuple[int, int]:
    return context.samples.start, context.samples.end
