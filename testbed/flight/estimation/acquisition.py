"""Finding the pose from ranges alone, with no idea where the vehicle is.

Least squares from every start position and a set of start attitudes that leaves no attitude far from one of them. A
pose is taken only if its residuals fit the noise, no receiver hears through the vehicle, no other pose explains the
ranges nearly as well (the mirror side of coplanar beacons), and it is known well enough. The gyro carries the
attitude from one chirp to the next, so the vehicle may turn while the cycle lasts. The work is spread over ticks
(search.py): each does its share.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.flight.estimation.chi_square import chi_square_bound
from testbed.flight.estimation.cholesky import factorise, solve
from testbed.flight.estimation.cycle import deviations, settle
from testbed.flight.estimation.layout import (
    AIR,
    ATTITUDE,
    BEACONS,
    BEGINNING,
    BIAS,
    DISTURBANCE,
    FOUND,
    IDLE,
    JUDGING,
    MOTION_ERRORS,
    POLISHING,
    POSITION,
    TRYING,
    VELOCITY,
)
from testbed.flight.estimation.outliers import worst_residual
from testbed.flight.estimation.pose_fit import UNKNOWNS, minimise, range_gradient
from testbed.flight.estimation.propagation import clear_pending, replay
from testbed.flight.estimation.search import begin_search, distinct, facing, recall, search_on, store
from testbed.flight.estimation.window import keep_last_cycle, remember_cycle

FINISH_STEPS: Final = 30
SPARE: Final = 12
"""Ranges needed beyond the unknowns of the pose: with 4 the residuals let poses pass that were wrong by 30 degrees."""
SPARE_TILTED: Final = 30
"""The same where any attitude is possible: with 12, two echoes now and then turned the pose by 10 to 25 degrees."""
OUTLIER_SHARE: Final = 0.2
MIRROR_MARGIN: Final = 30.0
"""Least difference in chi-square to the second-best pose: a likelihood ratio of exp(15)."""
ROUGH_POSITION: Final = 0.08
"""Largest standard deviation with which the filter can start, m; what is published needs less (estimator.py)."""
ROUGH_ATTITUDE: Final = math.radians(12.0)
TAIL: Final = 4.0
"""Standard normal quantile of the residual test: 1 good fit in 30,000 fails."""


@njit(cache=True)
def begin_acquisition(p: Any, s: Any) -> None:
    """Take the collected cycle into the window, and begin to search for the pose if that may do."""
    s.attempts += 1
    remember_cycle(s)
    if s.window_count >= unknowns(p) + spare(p):
        begin_search(p, s)
        s.search_stage = TRYING


@njit(cache=True)
def go_on(p: Any, s: Any) -> None:
    """Do one tick's share of the acquisition: some descents, or one polishing, or one judgement.

    Afterwards `s.search_stage` is FOUND, and the filter started with the pose, or IDLE where the acquisition failed.
    """
    fit = s.fit
    if s.search_stage == TRYING:
        if search_on(p, s):
            s.search_stage = POLISHING if np.isfinite(fit.best_cost[0]) else IDLE
            recall(fit, 0)
            s.search_left = fit.count
    elif s.search_stage == POLISHING:
        _polish(p, s)
    elif s.search_stage == JUDGING:
        s.search_stage = IDLE if _ambiguous(p, fit) else BEGINNING
    elif s.search_stage == BEGINNING:
        s.search_stage = FOUND if _start_filter(p, s) else IDLE


@njit(cache=True)
def unknowns(p: Any) -> int:
    """Free components of a pose."""
    return 3 + int(p.free[2] + p.free[3] + p.free[4])


@njit(cache=True)
def spare(p: Any) -> int:
    """Ranges needed beyond the unknowns."""
    return SPARE_TILTED if p.free[3] > 0.0 or p.free[4] > 0.0 else SPARE


@njit(cache=True)
def _polish(p: Any, s: Any) -> None:
    """Settle in the best pose; leave out the worst outlier and stay in this stage, or say whether the rest fits."""
    fit = s.fit
    minimise(p, fit, FINISH_STEPS, 1e-9)
    at = worst_residual(fit)
    if at >= 0 and s.search_left - 1 >= (1.0 - OUTLIER_SHARE) * fit.count:
        s.search_left -= 1
        fit.weight[at] = 0.0
    elif at >= 0 or fit.cost > chi_square_bound(s.search_left - unknowns(p), TAIL):
        keep_last_cycle(s)
        s.search_stage = IDLE
    else:
        s.search_stage = JUDGING if s.search_left >= unknowns(p) + spare(p) else IDLE


@njit(cache=True)
def _ambiguous(p: Any, fit: Any) -> bool:
    """Whether the second-best pose explains the same ranges nearly as well; leaves the best one in `fit`."""
    if not np.isfinite(fit.best_cost[1]):
        return False
    cost = fit.cost
    store(fit, 0)
    recall(fit, 1)
    minimise(p, fit, FINISH_STEPS, 1e-9)
    ambiguous = fit.cost < cost + MIRROR_MARGIN and distinct(fit, 0) and facing(fit)
    recall(fit, 0)
    minimise(p, fit, 1, 1e-9)  # brings residuals and normal matrix back
    return ambiguous


@njit(cache=True)
def _start_filter(p: Any, s: Any) -> bool:
    """Start the filter with the pose found and run it up to now; False where the pose is too rough for that."""
    _begin(p, s)
    position, attitude = deviations(s.anchor)
    if not (position < ROUGH_POSITION and attitude < ROUGH_ATTITUDE):
        return False
    number = replay(p, s, s.anchor, s.search_interval, s.window_arrival[s.window_count - 1])
    settle(p, s, number)
    s.window_count = 0
    return True


@njit(cache=True)
def _begin(p: Any, s: Any) -> None:
    """Set the anchor to the pose found, at the start of the window, with its covariance.

    What is known of gyro bias, speed of sound and survey is kept, the disturbance is open.
    """
    fit, track = s.fit, s.anchor
    track.stamp = s.window_arrival[0]
    track.position[:] = fit.position
    track.velocity[:] = fit.velocity
    track.orientation[:] = fit.orientation
    track.disturbance[:] = 0.0
    clear_pending(track)
    P = track.covariance
    for i in range(MOTION_ERRORS):
        for j in range(p.errors):
            if not (BIAS <= i < DISTURBANCE and BIAS <= j < DISTURBANCE):
                P[i, j] = 0.0
                P[j, i] = 0.0
    for i in range(3):
        P[DISTURBANCE + i, DISTURBANCE + i] = p.free[i] * p.disturbance_sigma**2
    factorise(fit.normal, fit.factor, 0.0)
    for column in range(UNKNOWNS):
        fit.step[:] = 0.0
        fit.step[column] = 1.0
        solve(fit.factor, fit.step, fit.step)
        for i in range(UNKNOWNS):
            P[_error(i), _error(column)] = fit.step[i]
    if p.range_constants:
        _share_constants(p, s)
    for i in range(1, p.errors):
        for j in range(min(i, MOTION_ERRORS)):
            P[i, j] = P[j, i]


@njit(cache=True)
def _share_constants(p: Any, s: Any) -> None:
    """Add to the covariance of the fitted pose the share of the constants of the ranges, and that with the constants.

    The pose answers a change c of the distances with (JᵀWJ)⁻¹·JᵀW·c, as any weighted least squares does. The weights
    held the constants for noise, so their share is counted twice: on the safe side, and soon outweighed.
    """
    fit, P, n = s.fit, s.anchor.covariance, p.errors
    answer = fit.sensitivity
    answer[:] = 0.0
    for k in range(fit.count):
        direction, moment, distance = range_gradient(fit, k)
        weight = fit.weight[k] ** 2
        at = BEACONS + 3 * s.window_beacon[k]
        for i in range(3):
            for entry, value in ((i, direction[i]), (3 + i, moment[i]), (6 + i, direction[i] * fit.time[k])):
                answer[AIR, entry] += weight * value * distance
                for axis in range(3):
                    answer[at + axis, entry] += weight * value * direction[axis]
    for constant in range(MOTION_ERRORS, n):
        solve(fit.factor, answer[constant], answer[constant])
    for i in range(UNKNOWNS):
        for constant in range(MOTION_ERRORS, n):
            total = 0.0
            for other in range(MOTION_ERRORS, n):
                total += answer[other, i] * P[other, constant]
            P[_error(i), constant] = total
    for i in range(UNKNOWNS):
        for j in range(UNKNOWNS):
            for constant in range(MOTION_ERRORS, n):
                P[_error(i), _error(j)] += P[_error(i), constant] * answer[constant, j]


@njit(cache=True)
def _error(unknown: int) -> int:
    """Place in the error state of an unknown of the fit."""
    if unknown < 3:
        return POSITION + unknown
    return ATTITUDE + unknown - 3 if unknown < 6 else VELOCITY + unknown - 6
