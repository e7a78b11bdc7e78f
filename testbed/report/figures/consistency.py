"""Whether the estimator is as good as it says: its errors beside what it claims."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy.special import gammaincinv

from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.plan.geometry import positions_at
from testbed.report.figures.context import TryContext, headings, thinned
from testbed.report.figures.style import EDGE, LIMIT, PLATE, Look, new_figure

PERIOD = 0.1
SIGMAS = 3.0
BOUND = 2.0 * float(gammaincinv(1.5, 0.95))
"""95 % of a chi-square variable of 3 lie below: twice the inverse of the incomplete gamma function of 3/2."""
ROWS = (("x error, mm", 0, 1e3), ("y error, mm", 1, 1e3), ("yaw error, °", 5, 180.0 / np.pi))


def draw_consistency(context: TryContext) -> Figure | None:
    """Estimate minus truth in x, y and yaw within three claimed standard deviations, and the normalised error squared.

    None where a vehicle has no truth or no estimate to compare.
    """
    vehicles = {name: look for name, look in context.vehicles.items() if _comparable(context, name)}
    if not vehicles:
        return None
    figure, grid = new_figure(5.2, 4, len(vehicles), top=0.25, gap=0.14, sharex=True, sharey="row")
    for column, (name, look) in enumerate(vehicles.items()):
        odometry = thinned(context.during(context.record(name).odometry), PERIOD)
        odometry = odometry[odometry["pose_covariance"][:, 0, 0] < UNKNOWN_VARIANCE / 2]
        errors = estimate_errors(odometry, context.record(name).truth)
        time = context.time(odometry["stamp"])
        for row, (label, axis, scale) in enumerate(ROWS):
            _draw_error(grid[row, column], time, scale * errors[:, row], scale * _sigma(odometry, axis), look)
            grid[row, 0].set_ylabel(label)
        _draw_normalised(grid[3, column], time, normalised(odometry, errors), look)
        grid[0, column].set_title(name)
        grid[3, column].set_xlabel("time in the try, s")
        grid[3, column].set_xlim(0.0, context.duration)
    grid[3, 0].set_ylabel("normalised\nerror squared")
    return figure


def _comparable(context: TryContext, name: str) -> bool:
    record = context.record(name)
    return min(len(context.during(record.truth)), len(context.during(record.odometry))) > 1


def estimate_errors(odometry: NDArray[np.void], truth: NDArray[np.void]) -> NDArray[np.float64]:
    """Estimate minus truth at the estimate's stamps: x m, y m, yaw rad; shape (n, 3)."""
    if not len(odometry):
        return np.zeros((0, 3))
    position = odometry["position"][:, :2] - positions_at(odometry["stamp"], truth)[:, :2]
    since = truth["stamp"][0]
    at, known = ((stamps - since).astype(np.float64) for stamps in (odometry["stamp"], truth["stamp"]))
    yaw = headings(odometry) - np.interp(at, known, np.unwrap(headings(truth)))
    return np.column_stack([position, (yaw + np.pi) % (2.0 * np.pi) - np.pi])


def normalised(odometry: NDArray[np.void], errors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Error squared over the claimed covariance of x, y and yaw: eᵀP⁻¹e, chi-square of 3 if the claim is true."""
    claimed = odometry["pose_covariance"][:, [0, 1, 5]][:, :, [0, 1, 5]]
    if not len(errors):
        return np.zeros(0)
    return np.asarray(np.einsum("ni,ni->n", errors, np.linalg.solve(claimed, errors[:, :, None])[:, :, 0]))


def share_inside(odometry: NDArray[np.void], truth: NDArray[np.void]) -> float:
    """Share of normalised errors below the 95 % bound, NaN where there are none."""
    values = normalised(odometry, estimate_errors(odometry, truth))
    return float(np.mean(values <= BOUND)) if len(values) else float("nan")


def _draw_error(
    axes: Axes, time: NDArray[np.float64], error: NDArray[np.float64], sigma: NDArray[np.float64], look: Look
) -> None:
    axes.fill_between(time, -SIGMAS * sigma, SIGMAS * sigma, color=look.colour, alpha=0.15, linewidth=0.0)
    axes.plot(time, error, color=look.colour, linewidth=0.8)


def _draw_normalised(axes: Axes, time: NDArray[np.float64], values: NDArray[np.float64], look: Look) -> None:
    axes.plot(time, values, color=look.colour, linewidth=0.7)
    axes.axhline(BOUND, color=LIMIT, linewidth=1.0)
    axes.annotate("95 %", (0.0, BOUND), xytext=(3, 3), textcoords="offset points", color=LIMIT, fontsize=7, bbox=PLATE)
    axes.axhline(3.0, color=EDGE, linewidth=0.8, linestyle=":")
    axes.set_ylim(0.0, max(2.0 * BOUND, float(np.percentile(values, 99.0)) if len(values) else 0.0))


def _sigma(odometry: NDArray[np.void], axis: int) -> NDArray[np.float64]:
    return np.asarray(np.sqrt(np.maximum(odometry["pose_covariance"][:, axis, axis], 0.0)))
