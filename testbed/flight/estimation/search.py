"""The search for the pose: a descent from every start, two a tick, so that no tick takes long.

The ranges of the window are fitted as they were when the search began; what is heard meanwhile waits.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import conjugate, multiply, rotate
from testbed.flight.estimation.cycle import noise_of
from testbed.flight.estimation.layout import HISTORY
from testbed.flight.estimation.pose_fit import minimise
from testbed.flight.estimation.position_start import position_starts
from testbed.flight.estimation.propagation import clear_pending, replay
from testbed.flight.estimation.update import constant_variance

STARTS_PER_TICK: Final = 2
SEARCH_STEPS: Final = 15
DISTINCT_DISTANCE: Final = 0.1
DISTINCT_ANGLE: Final = math.radians(20.0)


@njit(cache=True)
def begin_search(p: Any, s: Any) -> None:
    """Pose the problem of the ranges in the window, and where its search starts."""
    s.search_interval = _pose_problem(p, s)
    s.search_places = position_starts(p, s, s.search_place)
    s.search_next = 0
    s.fit.best_cost[:] = np.inf


@njit(cache=True)
def search_on(p: Any, s: Any) -> bool:
    """Descend from the next starts, keep the two best poses that differ and can be heard; whether all are tried."""
    fit = s.fit
    last = min(s.search_next + STARTS_PER_TICK, s.search_places * p.start_count)
    for start in range(s.search_next, last):
        fit.position[:] = s.search_place[start // p.start_count]
        fit.orientation[:] = p.start_orientation[start % p.start_count]
        fit.velocity[:] = 0.0
        minimise(p, fit, SEARCH_STEPS, 1e-3)
        if facing(fit):
            _keep(fit)
    s.search_next = last
    return bool(last == s.search_places * p.start_count)


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
    track.gyro_matrix[:] = s.anchor.gyro_matrix
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
        noise = noise_of(p, s, number, receiver, arrival, distance) + constant_variance(p, distance)
        fit.weight[k] = 1.0 / math.sqrt(noise)
    return first


@njit(cache=True)
def facing(fit: Any) -> bool:
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
def distinct(fit: Any, k: int) -> bool:
    """Whether the present pose differs from the kept pose `k`."""
    turn = multiply(conjugate(fit.orientation), fit.best_orientation[k])
    distance = math.sqrt(np.sum((fit.position - fit.best_position[k]) ** 2))
    return distance > DISTINCT_DISTANCE or abs(turn[3]) < math.cos(0.5 * DISTINCT_ANGLE)


@njit(cache=True)
def store(fit: Any, k: int) -> None:
    """Keep the present pose as the best (k = 0) or the second-best."""
    fit.best_cost[k] = fit.cost
    fit.best_position[k] = fit.position
    fit.best_orientation[k] = fit.orientation
    fit.best_velocity[k] = fit.velocity


@njit(cache=True)
def _keep(fit: Any) -> None:
    """Sort the present pose into the two best distinct ones."""
    if fit.cost < fit.best_cost[0]:
        if np.isfinite(fit.best_cost[0]) and distinct(fit, 0):
            fit.best_cost[1] = fit.best_cost[0]
            fit.best_position[1] = fit.best_position[0]
            fit.best_orientation[1] = fit.best_orientation[0]
            fit.best_velocity[1] = fit.best_velocity[0]
        store(fit, 0)
    elif fit.cost < fit.best_cost[1] and distinct(fit, 0):
        store(fit, 1)


@njit(cache=True)
def recall(fit: Any, k: int) -> None:
    """Go back to the kept pose `k`."""
    fit.position[:] = fit.best_position[k]
    fit.orientation[:] = fit.best_orientation[k]
    fit.velocity[:] = fit.best_velocity[k]
