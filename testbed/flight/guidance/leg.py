"""A leg: from any speed to rest, then rest-to-rest along a straight line or about a fixed axis.

Both parts are bang-coast-bang: constant acceleration, coast at the speed limit, constant deceleration, which is the
fastest motion of a double integrator with bounded acceleration and speed (Bryson & Ho, Applied Optimal Control, 1975).
The same record serves position (m) and attitude (rad).
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import Tuple3

LEG: Final = np.dtype(
    [
        ("brake_axis", "f8", (3,)),
        ("brake_speed", "f8"),
        ("deceleration", "f8"),
        ("axis", "f8", (3,)),
        ("length", "f8"),
        ("acceleration", "f8"),
        ("peak_speed", "f8"),
    ],
    align=True,
)
"""Unit vectors of both parts; speed and deceleration of the brake; length, acceleration and top speed of the move."""

LEAST_ACCELERATION: Final = 1e-6
"""Planned with where the valves can give nothing, m/s² or rad/s²: it takes forever, and the status shows it."""


@njit(cache=True)
def stay(leg: Any) -> None:
    """Plan neither a brake nor a move."""
    leg.brake_speed, leg.deceleration, leg.length = 0.0, 1.0, 0.0
    leg.acceleration, leg.peak_speed = 1.0, 0.0


@njit(cache=True)
def set_move(leg: Any, acceleration: float, speed_limit: float) -> None:
    """Plan the second part, over the `axis` and `length` already set."""
    leg.acceleration = max(acceleration, LEAST_ACCELERATION)
    leg.peak_speed = min(speed_limit, math.sqrt(leg.acceleration * leg.length))


@njit(cache=True)
def set_timed_move(leg: Any, acceleration: float, speed_limit: float, time: float) -> None:
    """Plan the second part to take `time` s with the smallest peak acceleration; the fastest move if that is too short.

    Without a coast 4 length / time² is the least; a speed limit that this would break makes it bang-coast-bang again.
    """
    if leg.length > 0.0 and time > 0.0:
        needed, peak = 4.0 * leg.length / (time * time), 2.0 * leg.length / time
        spare = time - leg.length / speed_limit
        if peak > speed_limit and spare > 0.0:
            needed, peak = speed_limit / spare, speed_limit
        if peak <= speed_limit and LEAST_ACCELERATION < needed < acceleration:
            leg.acceleration, leg.peak_speed = needed, peak
            return
    set_move(leg, acceleration, speed_limit)


@njit(cache=True)
def speed_for_gas(length: float, acceleration: float, gas: float, per_speed: float, flow: float) -> float:
    """Largest top speed of a move that takes no more than `gas` kg; if none does, the one that takes the least.

    Taken are per_speed · v to start and stop, and `flow` kg/s for as long as it takes: length / v + v / acceleration.
    """
    slope = per_speed + flow / acceleration
    square = gas * gas - 4.0 * slope * flow * length
    return (gas + math.sqrt(square)) / (2.0 * slope) if square > 0.0 else math.sqrt(flow * length / slope)


@njit(cache=True)
def least_gas(length: float, acceleration: float, per_speed: float, flow: float) -> float:
    """Gas kg of the move that takes the least, reckoned as in speed_for_gas; 0 without a flow, infinitely slowly."""
    return 2.0 * math.sqrt((per_speed + flow / acceleration) * flow * length)


@njit(cache=True)
def direction_of(vector: Tuple3, unit: NDArray[np.float64]) -> float:
    """Length of `vector`; fills `unit`, shape (3,), with its direction (x if it has none)."""
    length = math.sqrt(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)
    unit[0], unit[1], unit[2] = 1.0, 0.0, 0.0
    if length > 0.0:
        unit[0], unit[1], unit[2] = vector[0] / length, vector[1] / length, vector[2] / length
    return length


@njit(cache=True)
def brake_time(leg: Any) -> float:
    """Duration of the first part, s."""
    return leg.brake_speed / leg.deceleration


@njit(cache=True)
def brake_length(leg: Any) -> float:
    """Length of the first part, m or rad."""
    return 0.5 * leg.brake_speed**2 / leg.deceleration


@njit(cache=True)
def move_time(leg: Any) -> float:
    """Duration of the second part, s: 2 sqrt(length / acceleration) if the speed limit is not met."""
    if leg.length == 0.0:
        return 0.0
    return leg.length / leg.peak_speed + leg.peak_speed / leg.acceleration


@njit(cache=True)
def along_brake(leg: Any, time: float) -> tuple[float, float]:
    """Length covered and speed in the first part, `time` s after the leg's start."""
    t = min(max(time, 0.0), brake_time(leg))
    return leg.brake_speed * t - 0.5 * leg.deceleration * t * t, leg.brake_speed - leg.deceleration * t


@njit(cache=True)
def along_move(leg: Any, time: float) -> tuple[float, float]:
    """Length covered and speed in the second part, `time` s after the leg's start."""
    t = time - brake_time(leg)
    left = move_time(leg) - t
    ramp = leg.peak_speed / leg.acceleration
    if t <= 0.0:
        return 0.0, 0.0
    if left <= 0.0:
        return leg.length, 0.0
    if t < ramp and t <= left:
        return 0.5 * leg.acceleration * t * t, leg.acceleration * t
    if left < ramp:
        return leg.length - 0.5 * leg.acceleration * left * left, leg.acceleration * left
    return leg.peak_speed * (t - 0.5 * ramp), leg.peak_speed


@njit(cache=True)
def changes_left(leg: Any, time: float) -> tuple[float, float]:
    """Speed that both parts still gain and that they lose, `time` s after the leg's start, m/s or rad/s."""
    _, braking = along_brake(leg, time)
    if leg.length == 0.0:
        return 0.0, braking
    _, speed = along_move(leg, time)
    if move_time(leg) - (time - brake_time(leg)) <= 0.0:
        return 0.0, 0.0
    begun = time > brake_time(leg) + leg.peak_speed / leg.acceleration
    return (0.0, speed) if begun else (leg.peak_speed - speed, braking + leg.peak_speed)
