"""Valves: from switchings to thrust.

A valve that switches moves its opening linearly to 1 (rise time) or 0 (fall time). Thrust is proportional to the
opening and sags with the number of valves open. All of this is piecewise linear in time, so impulse and its first
moment are summed exactly between the instants at which anything bends, whatever the step.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import MAX_VALVES, NS_PER_S
from testbed.model.bodies import FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE
from testbed.model.records import MAX_SWITCHINGS

MOST_SAG: Final = 0.9
"""However many valves are open, each keeps a tenth of its thrust."""


@njit(cache=True)
def add_switching(state: Any, valve: int, stamp: int, target: int) -> None:
    """Append a switching of a valve; never before an earlier one, and if there is no room it replaces the last."""
    count = state.switching_count[valve]
    if count > 0:
        stamp = max(stamp, state.switching_stamp[valve, count - 1])
    place = min(count, MAX_SWITCHINGS - 1)
    state.switching_stamp[valve, place] = stamp
    state.switching_target[valve, place] = target
    state.switching_count[valve] = place + 1
    state.active |= 1 << valve


@njit(cache=True)
def move_valves(vehicle: Any, state: Any, stamp: int, end: int, strength: float, thrust: NDArray[np.float64]) -> float:
    """Move the valves from `stamp` to `end` (ns); fill `thrust` and return the sum of all valves' impulses, N·s.

    thrust, shape (4, 3): force and torque linear in time with the exact impulse and first moment (bodies.py).
    strength: share of the nominal thrust that the supply gives. Impulses add up in state.valve_impulse.
    """
    thrust[:] = 0.0
    if state.active == 0:
        return 0.0
    duration = (end - stamp) / NS_PER_S
    total = 0.0
    time = 0.0
    while True:
        take_switchings(vehicle, state, stamp, time)
        bend = next_bend(vehicle, state, stamp, time, duration)
        step = bend - time
        sag = sag_factor(vehicle, state)
        for v in range(vehicle.valve_count):
            if state.active >> v & 1:
                before = state.opening[v]
                after = opening_after(vehicle, state, v, step)
                state.opening[v] = after
                size = strength * sag * step
                impulse = vehicle.valve_thrust[v] * size * 0.5 * (before + after)
                state.valve_impulse[v] += impulse
                total += impulse
                centre = time + 0.5 * step - 0.5 * duration
                share = size * 0.5 * (before + after)
                moment = centre * share + size * step * (after - before) / 12.0
                mean, slope = share / duration, 12.0 * moment / (duration * duration * duration)
                for i in range(3):
                    thrust[FORCE, i] += mean * vehicle.valve_force[v, i]
                    thrust[FORCE_SLOPE, i] += slope * vehicle.valve_force[v, i]
                    thrust[TORQUE, i] += mean * vehicle.valve_torque[v, i]
                    thrust[TORQUE_SLOPE, i] += slope * vehicle.valve_torque[v, i]
        time = bend
        if time >= duration:
            break
    forget_resting(vehicle, state)
    return total


@njit(cache=True)
def take_switchings(vehicle: Any, state: Any, stamp: int, time: float) -> None:
    """Carry out the switchings due up to `time` s after `stamp` (ns)."""
    for v in range(vehicle.valve_count):
        while state.switching_count[v] > 0 and (state.switching_stamp[v, 0] - stamp) / NS_PER_S <= time:
            state.target[v] = state.switching_target[v, 0]
            state.switching_count[v] -= 1
            for k in range(state.switching_count[v]):
                state.switching_stamp[v, k] = state.switching_stamp[v, k + 1]
                state.switching_target[v, k] = state.switching_target[v, k + 1]
            if state.target[v] == 1 and vehicle.rise_time == 0.0:
                state.opening[v] = 1.0
            if state.target[v] == 0 and vehicle.fall_time == 0.0:
                state.opening[v] = 0.0


@njit(cache=True)
def next_bend(vehicle: Any, state: Any, stamp: int, time: float, duration: float) -> float:
    """When next a valve switches or reaches its target, at most `duration`; s after `stamp` (ns)."""
    bend = duration
    for v in range(vehicle.valve_count):
        if state.active >> v & 1:
            if state.switching_count[v] > 0:
                bend = min(bend, (state.switching_stamp[v, 0] - stamp) / NS_PER_S)
            if state.target[v] == 1 and state.opening[v] < 1.0:
                bend = min(bend, time + (1.0 - state.opening[v]) * vehicle.rise_time)
            if state.target[v] == 0 and state.opening[v] > 0.0:
                bend = min(bend, time + state.opening[v] * vehicle.fall_time)
    return bend


@njit(cache=True)
def opening_after(vehicle: Any, state: Any, valve: int, step: float) -> float:
    """Opening of a valve after `step` s on the way to its target, which rounding does not make it miss."""
    opening = state.opening[valve]
    if state.target[valve] == 1 and opening < 1.0:
        opening += step / vehicle.rise_time
        return 1.0 if opening > 1.0 - 1e-9 else opening
    if state.target[valve] == 0 and opening > 0.0:
        opening -= step / vehicle.fall_time
        return 0.0 if opening < 1e-9 else opening
    return opening


@njit(cache=True)
def sag_factor(vehicle: Any, state: Any) -> float:
    """Share of its thrust that each valve keeps with as many open as are: linear, 1 for one valve alone."""
    count = 0
    for v in range(vehicle.valve_count):
        if state.opening[v] > 0.0 or state.target[v] == 1:
            count += 1
    return 1.0 - min(MOST_SAG, vehicle.sag_per_valve * max(0, count - 1))


@njit(cache=True)
def forget_resting(vehicle: Any, state: Any) -> None:
    """Drop from the active valves those that are closed with nothing still to come."""
    for v in range(vehicle.valve_count):
        if state.opening[v] == 0.0 and state.target[v] == 0 and state.switching_count[v] == 0:
            state.active &= ~(1 << v)


@njit(cache=True)
def rest_valves(state: Any) -> None:
    """Close all valves at once, without delay, and forget the switchings still to come."""
    state.active = 0
    for v in range(MAX_VALVES):
        state.opening[v] = 0.0
        state.target[v] = state.switching_count[v] = 0
