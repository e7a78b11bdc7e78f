"""Finding the pose from one cycle of ranges, with no idea where the vehicle is.

Least squares from every start position and a set of start attitudes that leaves no attitude far from one of them. A
pose is taken only if its residuals fit the noise, no receiver hears through the vehicle, no other pose explains the
ranges nearly as well (the mirror side of coplanar beacons), and it is known well enough. The gyro carries the
attitude from one chirp to the next, so the vehicle may turn while the cycle lasts.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import conjugate, multiply, rotate, rotate_inverse
from testbed.flight.estimation.cholesky import factorise, solve
from testbed.flight.estimation.cycle import firing_at, settle, worst_deviations
from testbed.flight.estimation.layout import ATTITUDE, BIAS, DISTURBANCE, ERRORS, POSITION, VELOCITY
from testbed.flight.estimation.pose_fit import UNKNOWNS, minimise
from testbed.flight.estimation.position_start import position_starts
from testbed.flight.estimation.propagation import clear_pending, replay
from testbed.flight.estimation.update import range_variance

SEARCH_STEPS: Final = 15
FINISH_STEPS: Final = 30
SPARE: Final = 4
"""Ranges needed beyond the unknowns of the pose, so that the residuals can tell a wrong pose."""
OUTLIER: Final = 4.0
"""A residual above this many standard deviations is taken for an echo and left out, the worst first."""
OUTLIER_SHARE: Final = 0.2
MIRROR_MARGIN: Final = 30.0
"""Least difference in chi-square to the second-best pose: a likelihood ratio of exp(15)."""
DISTINCT_DISTANCE: Final = 0.1
DISTINCT_ANGLE: Final = math.radians(20.0)
ROUGH_POSITION: Final = 0.05
"""Largest standard deviation with which the filter can start, m; what is published needs less (estimator.py)."""
ROUGH_ATTITUDE: Final = math.radians(6.0)
TAIL: Final = 4.0
"""Standard normal quantile of the residual test: 1 good fit in 30,000 fails."""


@njit(cache=True)
def acquire(p: Any, s: Any) -> bool:
    """Find the pose from the collected cycle and start the filter with it; False where it cannot be had."""
    s.attempts += 1
    fit = s.fit
    when = _pose_problem(p, s)
    unknowns = 3 + int(p.free[2] + p.free[3] + p.free[4])
    if when == 0 or fit.count < unknowns + SPARE:
        return False
    fit.best_cost[:] = np.inf
    _search(p, s)
    if not (np.isfinite(fit.best_cost[0]) and _finish(p, fit, unknowns)):
        return False
    _begin(p, s, when)
    position, attitude = worst_deviations(s.anchor)
    if not (position < ROUGH_POSITION and attitude < ROUGH_ATTITUDE):
        return False
    number = s.history_first
    while s.history_stop[number & (s.history_stop.shape[0] - 1)] <= when:
        number += 1
    settle(p, s, number)
    return True


@njit(cache=True)
def _pose_problem(p: Any, s: Any) -> int:
    """Fill `s.fit` with the collected cycle, arms turned by the gyro to the last arrival; returns that time, or 0."""
    fit, track = s.fit, s.saved
    fit.count = 0
    if s.cycle_count == 0 or s.history_end == s.history_first:
        return 0
    last = s.history_stop[(s.history_end - 1) & (s.history_stop.shape[0] - 1)]
    first = s.history_start[s.history_first & (s.history_stop.shape[0] - 1)]
    if s.cycle_arrival[0] < first:
        return 0
    track.stamp = first
    track.gyro_bias[:] = s.anchor.gyro_bias
    track.position[:] = 0.0
    track.velocity[:] = 0.0
    track.disturbance[:] = 0.0
    track.orientation[:] = (0.0, 0.0, 0.0, 1.0)
    clear_pending(track)
    when = min(s.cycle_arrival[s.cycle_count - 1], last)
    number = s.history_first
    for k in range(s.cycle_count):
        arrival = min(s.cycle_arrival[k], last)
        number = replay(p, s, track, number, arrival)
        beacon, receiver, distance = s.cycle_beacon[k], s.cycle_receiver[k], s.cycle_distance[k]
        fit.beacon[k] = p.beacon[beacon]
        fit.arm[k] = rotate(track.orientation, p.arm[receiver])
        fit.axis[k] = rotate(track.orientation, p.receiver_axis[receiver])
        fit.cosine[k] = p.receiver_cosine[receiver]
        fit.time[k] = (arrival - when) * 1e-9
        fit.distance[k] = distance
        fit.weight[k] = 1.0 / math.sqrt(range_variance(p, s.air_temperature, distance, firing_at(s, number, arrival)))
        fit.count += 1
    for k in range(fit.count):  # from the attitude at the start of the history to that at the time of the fit
        fit.arm[k] = rotate_inverse(track.orientation, fit.arm[k])
        fit.axis[k] = rotate_inverse(track.orientation, fit.axis[k])
    return when


@njit(cache=True)
def _search(p: Any, s: Any) -> None:
    """Descend from every start; keep the two best poses that differ and that the receivers can see."""
    fit = s.fit
    starts = np.zeros((2, 3))
    for k in range(position_starts(p, s, starts)):
        for start in range(p.start_count):
            fit.position[:] = starts[k]
            fit.orientation[:] = p.start_orientation[start]
            fit.velocity[:] = 0.0
            minimise(p, fit, SEARCH_STEPS, 1e-3)
            if _facing(fit):
                _keep(fit)


@njit(cache=True)
def _facing(fit: Any) -> bool:
    """Whether at most a tenth of the ranges come to a receiver that looks away from the beacon."""
    away = 0
    for k in range(fit.count):
        axis = rotate(fit.orientation, fit.axis[k])
        lever = rotate(fit.orientation, fit.arm[k])
        along, square = 0.0, 0.0
        for i in range(3):
            sight = fit.beacon[k, i] - fit.position[i] - lever[i]
            along += sight * axis[i]
            square += sight * sight
        away += along < fit.cosine[k] * math.sqrt(square)
    return 10 * away <= fit.count


@njit(cache=True)
def _distinct(fit: Any, k: int) -> bool:
    """Whether the present pose differs from the kept pose `k`."""
    turn = multiply(conjugate(fit.orientation), fit.best_orientation[k])
    distance = math.sqrt(np.sum((fit.position - fit.best_position[k]) ** 2))
    return distance > DISTINCT_DISTANCE or abs(turn[3]) < math.cos(0.5 * DISTINCT_ANGLE)


@njit(cache=True)
def _store(fit: Any, k: int) -> None:
    fit.best_cost[k] = fit.cost
    fit.best_position[k] = fit.position
    fit.best_orientation[k] = fit.orientation
    fit.best_velocity[k] = fit.velocity


@njit(cache=True)
def _keep(fit: Any) -> None:
    """Sort the present pose into the two best distinct ones."""
    if fit.cost < fit.best_cost[0]:
        if np.isfinite(fit.best_cost[0]) and _distinct(fit, 0):
            fit.best_cost[1] = fit.best_cost[0]
            fit.best_position[1] = fit.best_position[0]
            fit.best_orientation[1] = fit.best_orientation[0]
            fit.best_velocity[1] = fit.best_velocity[0]
        _store(fit, 0)
    elif fit.cost < fit.best_cost[1] and _distinct(fit, 0):
        _store(fit, 1)


@njit(cache=True)
def _recall(fit: Any, k: int) -> None:
    fit.position[:] = fit.best_position[k]
    fit.orientation[:] = fit.best_orientation[k]
    fit.velocity[:] = fit.best_velocity[k]


@njit(cache=True)
def _finish(p: Any, fit: Any, unknowns: int) -> bool:
    """Polish the best pose without its outliers; whether it fits the noise and the second-best is clearly worse."""
    _recall(fit, 0)
    minimise(p, fit, FINISH_STEPS, 1e-9)
    left = fit.count
    while True:
        worst, at = OUTLIER, -1
        for k in range(fit.count):
            if abs(fit.residual[k]) > worst:
                worst, at = abs(fit.residual[k]), k
        if at < 0:
            break
        if fit.count - left + 1 > OUTLIER_SHARE * fit.count:
            return False
        fit.weight[at] = 0.0
        left -= 1
        minimise(p, fit, FINISH_STEPS, 1e-9)
    if left < unknowns + SPARE or fit.cost > chi_square_bound(left - unknowns, TAIL):
        return False
    if not np.isfinite(fit.best_cost[1]):
        return True
    cost = fit.cost
    _store(fit, 0)
    _recall(fit, 1)
    minimise(p, fit, FINISH_STEPS, 1e-9)  # with the same ranges left out
    ambiguous = fit.cost < cost + MIRROR_MARGIN and _distinct(fit, 0) and _facing(fit)
    _recall(fit, 0)
    minimise(p, fit, 1, 1e-9)  # brings residuals and normal matrix back
    return not ambiguous


@njit(cache=True)
def chi_square_bound(degrees: int, quantile: float) -> float:
    """Chi-square value at a standard normal quantile: Wilson & Hilferty, PNAS 17 (1931)."""
    spread = 2.0 / (9.0 * degrees)
    return degrees * (1.0 - spread + quantile * math.sqrt(spread)) ** 3


@njit(cache=True)
def _begin(p: Any, s: Any, when: int) -> None:
    """Set the anchor to the pose found, with the covariance of the fit; the gyro bias is kept."""
    fit, track = s.fit, s.anchor
    track.stamp = when
    track.position[:] = fit.position
    track.velocity[:] = fit.velocity
    track.orientation[:] = fit.orientation
    track.disturbance[:] = 0.0
    P = track.covariance
    for i in range(ERRORS):
        for j in range(ERRORS):
            if not (BIAS <= i < DISTURBANCE and BIAS <= j < DISTURBANCE):
                P[i, j] = 0.0
    for i in range(3):
        P[DISTURBANCE + i, DISTURBANCE + i] = p.free[i] * p.disturbance_sigma**2
    factorise(fit.normal, fit.factor, 0.0)
    for column in range(UNKNOWNS):
        fit.step[:] = 0.0
        fit.step[column] = 1.0
        solve(fit.factor, fit.step, fit.step)
        for i in range(UNKNOWNS):
            P[_error(i), _error(column)] = fit.step[i]
    for i in range(1, ERRORS):
        for j in range(i):
            P[i, j] = P[j, i]
    clear_pending(track)


@njit(cache=True)
def _error(unknown: int) -> int:
    """Place in the error state of an unknown of the fit."""
    if unknown < 3:
        return POSITION + unknown
    return ATTITUDE + unknown - 3 if unknown < 6 else VELOCITY + unknown - 6
