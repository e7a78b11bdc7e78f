"""Finding the pose from ranges alone, with no idea where the vehicle is.

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

from testbed.description.messages import MAX_RANGES, NS_PER_S
from testbed.description.rotation import conjugate, multiply, rotate
from testbed.flight.estimation.cholesky import factorise, solve
from testbed.flight.estimation.cycle import deviations, noise_of, settle
from testbed.flight.estimation.layout import (
    AIR,
    ATTITUDE,
    BEACONS,
    BIAS,
    DISTURBANCE,
    HISTORY,
    MOTION_ERRORS,
    POSITION,
    VELOCITY,
)
from testbed.flight.estimation.pose_fit import UNKNOWNS, minimise, range_gradient
from testbed.flight.estimation.position_start import position_starts
from testbed.flight.estimation.propagation import clear_pending, replay
from testbed.flight.estimation.update import constant_variance

WINDOW_NS: Final = 3 * NS_PER_S // 2
"""Ranges of this last stretch of time are fitted together; in it only pushes change the velocity."""
SEARCH_STEPS: Final = 15
FINISH_STEPS: Final = 30
SPARE: Final = 12
"""Ranges needed beyond the unknowns of the pose: with 4 the residuals let poses pass that were wrong by 30 degrees."""
OUTLIER: Final = 4.0
"""A residual above this many standard deviations is taken for an echo and left out, the worst first."""
OUTLIER_SHARE: Final = 0.2
MIRROR_MARGIN: Final = 30.0
"""Least difference in chi-square to the second-best pose: a likelihood ratio of exp(15)."""
DISTINCT_DISTANCE: Final = 0.1
DISTINCT_ANGLE: Final = math.radians(20.0)
ROUGH_POSITION: Final = 0.08
"""Largest standard deviation with which the filter can start, m; what is published needs less (estimator.py)."""
ROUGH_ATTITUDE: Final = math.radians(12.0)
TAIL: Final = 4.0
"""Standard normal quantile of the residual test: 1 good fit in 30,000 fails."""


@njit(cache=True)
def acquire(p: Any, s: Any) -> bool:
    """Find the pose from the ranges of the last cycles and start the filter with it; False where that fails."""
    s.attempts += 1
    fit = s.fit
    _remember_cycle(s)
    unknowns = 3 + int(p.free[2] + p.free[3] + p.free[4])
    if s.window_count < unknowns + SPARE:
        return False
    number = _pose_problem(p, s)
    fit.best_cost[:] = np.inf
    _search(p, s)
    if not np.isfinite(fit.best_cost[0]):
        return False
    if not _fits_noise(p, fit, unknowns):
        _keep_last_cycle(s)
        return False
    if _ambiguous(p, fit):
        return False
    _begin(p, s)
    position, attitude = deviations(s.anchor)
    if not (position < ROUGH_POSITION and attitude < ROUGH_ATTITUDE):
        return False
    number = replay(p, s, s.anchor, number, s.window_arrival[s.window_count - 1])
    settle(p, s, number)
    s.window_count = 0
    return True


@njit(cache=True)
def _remember_cycle(s: Any) -> None:
    """Add the collected cycle to the window; what is too old or without gyro samples leaves it."""
    if s.history_end == s.history_first:
        s.window_count = 0
        return
    begin = s.history_start[s.history_first & (HISTORY - 1)]
    end = s.history_stop[(s.history_end - 1) & (HISTORY - 1)]
    _drop(s, max(begin, end - WINDOW_NS), MAX_RANGES - s.cycle_count)
    for k in range(s.cycle_count):
        if begin <= s.cycle_arrival[k] <= end:
            place = s.window_count
            s.window_beacon[place] = s.cycle_beacon[k]
            s.window_receiver[place] = s.cycle_receiver[k]
            s.window_arrival[place] = s.cycle_arrival[k]
            s.window_distance[place] = s.cycle_distance[k]
            s.window_count += 1


@njit(cache=True)
def _drop(s: Any, begin: int, room: int) -> None:
    """Drop from the window what arrived before `begin` (ns), and the oldest beyond `room` ranges."""
    kept = 0
    for k in range(s.window_count):
        if s.window_arrival[k] >= begin and s.window_count - k <= room:
            s.window_beacon[kept] = s.window_beacon[k]
            s.window_receiver[kept] = s.window_receiver[k]
            s.window_arrival[kept] = s.window_arrival[k]
            s.window_distance[kept] = s.window_distance[k]
            kept += 1
    s.window_count = kept


@njit(cache=True)
def _keep_last_cycle(s: Any) -> None:
    """Start anew with the last cycle: no pose fits the window, as when the vehicle was carried meanwhile."""
    if s.cycle_count > 0:
        _drop(s, s.cycle_arrival[0], MAX_RANGES)


@njit(cache=True)
def _pose_problem(p: Any, s: Any) -> int:
    """Fill `s.fit` from the window, with the motion since its start as gyro and valves tell it.

    Seen from a frame that moves on as the body did at the start, a receiver is where turning and pushes have carried
    it, in body axes of the start. Returns the number of the gyro interval in which the window starts.
    """
    fit, track = s.fit, s.saved
    start = s.window_arrival[0]
    first = s.history_first
    while s.history_stop[first & (HISTORY - 1)] <= start:
        first += 1
    track.stamp = start
    track.position[:] = 0.0
    track.velocity[:] = 0.0
    track.orientation[:] = (0.0, 0.0, 0.0, 1.0)
    track.gyro_bias[:] = s.anchor.gyro_bias
    track.disturbance[:] = 0.0
    clear_pending(track)
    number = first
    fit.count = s.window_count
    for k in range(fit.count):
        arrival, distance = s.window_arrival[k], s.window_distance[k] * (1.0 + s.anchor.air)
        number = replay(p, s, track, number, arrival)
        beacon, receiver = s.window_beacon[k], s.window_receiver[k]
        arm = rotate(track.orientation, p.arm[receiver])
        for i in range(3):
            fit.beacon[k, i] = p.beacon[beacon, i] + s.anchor.survey[beacon, i]
            fit.arm[k, i] = track.position[i] + arm[i]
        fit.axis[k] = rotate(track.orientation, p.receiver_axis[receiver])
        fit.cosine[k] = p.receiver_cosine[receiver]
        fit.time[k] = (arrival - start) * 1e-9
        fit.distance[k] = distance
        noise = noise_of(p, s, number, arrival, distance) + constant_variance(p, s.air_temperature, distance)
        fit.weight[k] = 1.0 / math.sqrt(noise)
    return first


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
def _fits_noise(p: Any, fit: Any, unknowns: int) -> bool:
    """Polish the best pose, leaving out outliers one by one; whether the rest fits the noise."""
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
        left -= 1
        if fit.count - left > OUTLIER_SHARE * fit.count:
            return False
        fit.weight[at] = 0.0
        minimise(p, fit, FINISH_STEPS, 1e-9)
    return left >= unknowns + SPARE and fit.cost < chi_square_bound(left - unknowns, TAIL)


@njit(cache=True)
def _ambiguous(p: Any, fit: Any) -> bool:
    """Whether the second-best pose explains the same ranges nearly as well; leaves the best one in `fit`."""
    if not np.isfinite(fit.best_cost[1]):
        return False
    cost = fit.cost
    _store(fit, 0)
    _recall(fit, 1)
    minimise(p, fit, FINISH_STEPS, 1e-9)
    ambiguous = fit.cost < cost + MIRROR_MARGIN and _distinct(fit, 0) and _facing(fit)
    _recall(fit, 0)
    minimise(p, fit, 1, 1e-9)  # brings residuals and normal matrix back
    return ambiguous


@njit(cache=True)
def chi_square_bound(degrees: int, quantile: float) -> float:
    """Chi-square value at a standard normal quantile: Wilson & Hilferty, PNAS 17 (1931)."""
    spread = 2.0 / (9.0 * degrees)
    return degrees * (1.0 - spread + quantile * math.sqrt(spread)) ** 3


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
    if p.errors > MOTION_ERRORS:
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
