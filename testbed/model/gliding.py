"""Free motion on the table: along x and y and about z, a whole tick at once.

Turning is a series in time, to its fourth power. The thrust turns with the body, so its integrals over the tick are
taken by Gauss' rule with two points, exact to the third power of time. Drag is a series in the share of the speed that
it takes in a tick (3e-5), to its third power; the slope is that of the middle of the tick, within which it changes by
less than 1 µm/s². Against a reference a tick is no less exact than one of the classical Runge-Kutta method
(tests/model/test_gliding.py).

Vehicles go LANES at a time: what a tick needs of each is loaded into a column of an array (glide_lanes.py), whose rows
the loops below work through, so that one instruction of the processor serves all columns.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.model.glide_lanes import (
    BASE_VX,
    BASE_VY,
    BASE_X,
    BASE_Y,
    CENTRE_X,
    CENTRE_Y,
    DRAG,
    EARLY,
    EARLY_COSINE,
    EARLY_SINE,
    FORCE_X,
    FORCE_X_SLOPE,
    FORCE_Y,
    FORCE_Y_SLOPE,
    HALF,
    HALF_COSINE,
    HALF_SINE,
    INVERSE_MASS,
    LATE,
    LATE_COSINE,
    LATE_SINE,
    LINEAR,
    PUSH_TURNING,
    RATE,
    SLOPE_X,
    SLOPE_Y,
    SPIN_UP,
    SQUARE,
    VX,
    VY,
    Lanes,
    W,
    X,
    Y,
    Z,
    load_lane,
    store_lane,
)
from testbed.model.records import LANES

_EARLIER: Final = 0.5 - math.sqrt(3.0) / 6.0
_LATER: Final = 0.5 + math.sqrt(3.0) / 6.0
_LARGEST: Final = 0.03
"""Angles up to here are turned by their series, rad: its first term left out is below 2e-17."""
_THIRD: Final = 1.0 / 3.0
_SIXTH: Final = 1.0 / 6.0


@njit(cache=True)
def turn_by(angle: float) -> tuple[float, float]:
    """Cosine and sine of an angle, which is small as a rule."""
    if abs(angle) > _LARGEST:
        return math.cos(angle), math.sin(angle)
    return turn_by_series(angle)


@njit(cache=True, forceinline=True, error_model="numpy")
def turn_by_series(angle: float) -> tuple[float, float]:
    """Cosine and sine of an angle up to _LARGEST."""
    square = angle * angle
    cosine = 1.0 - square * (1.0 / 2.0 - square * (1.0 / 24.0 - square * (1.0 / 720.0)))
    sine = angle * (1.0 - square * (1.0 / 6.0 - square * (1.0 / 120.0 - square * (1.0 / 5040.0))))
    return cosine, sine


@njit(cache=True)
def glide(world: Any, vehicles: Any, world_state: Any, states: Any, near: Any, duration: float) -> None:
    """Let the vehicles that are not marked in `near` glide for `duration` s under state.thrust."""
    lanes = world_state.lanes  # not handed on as an array: the record's has sizes that the compiler knows
    for first in range(0, len(states), LANES):
        last = min(first + LANES, len(states))
        loaded = False
        for i in range(first, last):
            if not near[i]:
                load_lane(world, vehicles[i], states[i], lanes, i - first, duration)
                loaded = True
        if loaded:
            if turn_lanes(lanes, duration):
                turn_far(lanes)
            move_lanes(lanes, world.gravity, 2.0 * world.frame_rate[2], duration)
        for i in range(first, last):
            if not near[i]:
                store_lane(states[i], lanes, i - first)


@njit(cache=True, forceinline=True, error_model="numpy")
def turn_lanes(lanes: Lanes, duration: float) -> bool:
    """Work out the rate at the end and by how much each lane turns; return whether any turns further than a series.

    There are three turns: up to either time at which the thrust is looked at, and half of the whole.
    """
    far = 0
    for k in range(LANES):
        rate, push, spin_up = lanes[RATE, k], lanes[PUSH_TURNING, k], lanes[SPIN_UP, k]
        angle, gain = turn(rate, push, spin_up, lanes[LINEAR, k], lanes[SQUARE, k], duration)
        early = turn_under_way(rate, gain, spin_up, duration * _EARLIER, duration)
        late = turn_under_way(rate, gain, spin_up, duration * _LATER, duration)
        half = 0.5 * angle
        far |= int(abs(early) > _LARGEST) | int(abs(late) > _LARGEST) | int(abs(half) > _LARGEST)
        lanes[RATE, k] = rate + duration * gain
        lanes[EARLY, k], lanes[LATE, k], lanes[HALF, k] = early, late, half
        lanes[EARLY_COSINE, k], lanes[EARLY_SINE, k] = turn_by_series(early)
        lanes[LATE_COSINE, k], lanes[LATE_SINE, k] = turn_by_series(late)
        lanes[HALF_COSINE, k], lanes[HALF_SINE, k] = turn_by_series(half)
    return far != 0


@njit(cache=True)
def turn_far(lanes: Lanes) -> None:
    """Put right what the series cannot."""
    for k in range(LANES):
        lanes[EARLY_COSINE, k], lanes[EARLY_SINE, k] = turn_by(lanes[EARLY, k])
        lanes[LATE_COSINE, k], lanes[LATE_SINE, k] = turn_by(lanes[LATE, k])
        lanes[HALF_COSINE, k], lanes[HALF_SINE, k] = turn_by(lanes[HALF, k])


@njit(cache=True, forceinline=True, error_model="numpy")
def turn(
    rate: float, push: float, spin_up: float, linear: float, square: float, duration: float
) -> tuple[float, float]:
    """Angle turned (rad) and mean angular acceleration (rad/s²).

    push, spin_up: mean and slope of what thrust gives, rad/s² and rad/s³; drag is linear·rate + square·rate·|rate|.
    """
    half = 0.5 * duration
    speed, sense = abs(rate), math.copysign(square, rate)
    # derivatives of the rate at the start
    stiffness = linear + 2.0 * square * speed
    first = push - half * spin_up - (linear + square * speed) * rate
    second = spin_up - stiffness * first
    third = -stiffness * second - 2.0 * sense * first * first
    fourth = -stiffness * third - 6.0 * sense * first * second
    angle = duration * (rate + half * (first + duration * (_THIRD * second + duration * (1.0 / 12.0) * third)))
    return angle, first + half * (second + duration * (_THIRD * third + duration * (1.0 / 12.0) * fourth))


@njit(cache=True, forceinline=True, error_model="numpy")
def turn_under_way(rate: float, gain: float, spin_up: float, time: float, duration: float) -> float:
    """Angle turned `time` s after the start, as far as the thrust needs to know it, rad."""
    return time * (rate + time * (0.5 * gain + spin_up * (time * _SIXTH - 0.25 * duration)))


@njit(cache=True, forceinline=True, error_model="numpy")
def move_lanes(lanes: Lanes, gravity: float, turning: float, duration: float) -> None:
    """Move each lane by the tick. turning: twice the rate of the fixed frame, rad/s."""
    half = 0.5 * duration
    early, late = duration * _EARLIER, duration * _LATER
    for k in range(LANES):
        z, w = lanes[Z, k], lanes[W, k]
        cosine, sine = w * w - z * z, 2.0 * z * w

        # what thrust gives along fixed x and y: velocity, way by the end, and integral of the way
        weight = half * lanes[INVERSE_MASS, k]
        fx, fy = lanes[FORCE_X, k], lanes[FORCE_Y, k]
        fx_slope, fy_slope = lanes[FORCE_X_SLOPE, k], lanes[FORCE_Y_SLOPE, k]
        c, s = lanes[EARLY_COSINE, k], lanes[EARLY_SINE, k]
        c, s = weight * (c * cosine - s * sine), weight * (s * cosine + c * sine)
        x1, y1 = fx + (early - half) * fx_slope, fy + (early - half) * fy_slope
        x1, y1 = c * x1 - s * y1, s * x1 + c * y1
        c, s = lanes[LATE_COSINE, k], lanes[LATE_SINE, k]
        c, s = weight * (c * cosine - s * sine), weight * (s * cosine + c * sine)
        x2, y2 = fx + (late - half) * fx_slope, fy + (late - half) * fy_slope
        x2, y2 = c * x2 - s * y2, s * x2 + c * y2
        jx, jy = x1 + x2, y1 + y2
        x1, y1, x2, y2 = late * x1, late * y1, early * x2, early * y2  # times what is left of the tick then
        dx, dy = x1 + x2, y1 + y2
        ex, ey = 0.5 * (late * x1 + early * x2), 0.5 * (late * y1 + early * y2)

        # slope, film, and the turning of the Earth
        vx, vy, drag = lanes[VX, k], lanes[VY, k], lanes[DRAG, k]
        ax = -gravity * lanes[SLOPE_X, k] - drag * vx + turning * vy
        ay = -gravity * lanes[SLOPE_Y, k] - drag * vy - turning * vx
        share, turned = drag * duration, half * turning
        sooner, later = 1.0 - share * _THIRD * (1.0 - 0.25 * share), 1.0 - 0.5 * share * (1.0 - share * _THIRD)
        x = lanes[X, k] + duration * (vx + half * (ax * sooner + turned * ay * (2.0 / 3.0)))
        y = lanes[Y, k] + duration * (vy + half * (ay * sooner - turned * ax * (2.0 / 3.0)))
        x, y = x + dx - drag * ex + turning * ey, y + dy - drag * ey - turning * ex
        vx, vy = (
            vx + jx + duration * (ax * later + turned * ay) - drag * (dx - drag * ex) + turning * dy,
            vy + jy + duration * (ay * later - turned * ax) - drag * (dy - drag * ey) - turning * dx,
        )

        c, s = lanes[HALF_COSINE, k], lanes[HALF_SINE, k]
        z, w = z * c + w * s, w * c - z * s
        length = 1.5 - 0.5 * (z * z + w * w)  # of unit length but for rounding: one step of Newton's rule
        z, w = z * length, w * length
        cosine, sine = w * w - z * z, 2.0 * z * w
        cx, cy, rate = lanes[CENTRE_X, k], lanes[CENTRE_Y, k], lanes[RATE, k]
        lanes[X, k], lanes[Y, k], lanes[VX, k], lanes[VY, k], lanes[Z, k], lanes[W, k] = x, y, vx, vy, z, w
        lanes[BASE_X, k], lanes[BASE_Y, k] = x - (cosine * cx - sine * cy), y - (sine * cx + cosine * cy)
        lanes[BASE_VX, k] = cosine * vx + sine * vy + rate * cy
        lanes[BASE_VY, k] = cosine * vy - sine * vx - rate * cx
