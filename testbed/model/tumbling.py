"""Free motion in the cabin: all six axes, by the classical Runge-Kutta method.

Rotation is carried as angular momentum along fixed axes, which without torque is a constant of each step, to rounding.
Thrust is linear in time with its exact impulse and first moment. A tick is divided so that the body turns by at most
MOST_TURN in one step, which keeps the energy of ten minutes' tumbling to 1e-9.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.rotation import normalise, rotate
from testbed.model.environment import environment
from testbed.model.joined import derive_base
from testbed.model.motion import MOTION, Motion, load_motion, rate_of, store_motion
from testbed.model.valves import FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE

MOST_TURN: Final = 0.004
"""Largest turn in one step, rad."""


@njit(cache=True)
def tumble(world: Any, vehicle: Any, state: Any, scratch: Motion, duration: float) -> None:
    """Let a body move freely for `duration` s under state.thrust. scratch: shape (4, MOTION)."""
    spin = math.sqrt(state.rate[0] ** 2 + state.rate[1] ** 2 + state.rate[2] ** 2)
    steps = max(1, math.ceil(spin * duration / MOST_TURN))
    step = duration / steps
    load_motion(state, scratch[0])
    for k in range(steps):
        runge_kutta(world, vehicle, state, scratch, k * step - 0.5 * duration, step)
        normalise_turn(scratch[0])
    store_motion(state, scratch[0])
    derive_base(state)


@njit(cache=True)
def runge_kutta(world: Any, vehicle: Any, state: Any, scratch: Motion, begin: float, step: float) -> None:
    """One step from scratch[0], `begin` s after the middle of what the thrust is for."""
    start, stage, slope, total = scratch[0], scratch[1], scratch[2], scratch[3]
    for i in range(MOTION):
        stage[i], total[i] = start[i], 0.0
    for part in range(4):
        offset = 0.0 if part == 0 else (step if part == 3 else 0.5 * step)
        if part > 0:
            for i in range(MOTION):
                stage[i] = start[i] + offset * slope[i]
        motion_slope(world, vehicle, state, stage, begin + offset, slope)
        weight = 2.0 if 0 < part < 3 else 1.0
        for i in range(MOTION):
            total[i] += weight * slope[i]
    for i in range(MOTION):
        start[i] += step / 6.0 * total[i]


@njit(cache=True)
def motion_slope(world: Any, vehicle: Any, state: Any, motion: Motion, time: float, slope: Motion) -> None:
    """Fill `slope` with the time derivative of `motion`, `time` s after the middle of what the thrust is for."""
    q = (motion[3], motion[4], motion[5], motion[6])
    w = rate_of(state, motion)
    fx, fy, fz, tx, ty, tz = environment(
        world, vehicle, state, q, motion[0], motion[1], motion[2], motion[7], motion[8], motion[9], w[0], w[1], w[2]
    )
    if state.thrusting:
        thrust = state.thrust
        force = rotate(
            q,
            (
                thrust[FORCE, 0] + time * thrust[FORCE_SLOPE, 0],
                thrust[FORCE, 1] + time * thrust[FORCE_SLOPE, 1],
                thrust[FORCE, 2] + time * thrust[FORCE_SLOPE, 2],
            ),
        )
        fx, fy, fz = fx + force[0], fy + force[1], fz + force[2]
        tx += thrust[TORQUE, 0] + time * thrust[TORQUE_SLOPE, 0]
        ty += thrust[TORQUE, 1] + time * thrust[TORQUE_SLOPE, 1]
        tz += thrust[TORQUE, 2] + time * thrust[TORQUE_SLOPE, 2]
    torque = rotate(q, (tx, ty, tz))
    for i in range(3):
        slope[i] = motion[7 + i]
        slope[10 + i] = torque[i]
    slope[7] = fx * state.body_inverse_mass[0]
    slope[8] = fy * state.body_inverse_mass[1]
    slope[9] = fz * state.body_inverse_mass[2]
    slope[3] = 0.5 * (q[3] * w[0] + q[1] * w[2] - q[2] * w[1])
    slope[4] = 0.5 * (q[3] * w[1] + q[2] * w[0] - q[0] * w[2])
    slope[5] = 0.5 * (q[3] * w[2] + q[0] * w[1] - q[1] * w[0])
    slope[6] = -0.5 * (q[0] * w[0] + q[1] * w[1] + q[2] * w[2])


@njit(cache=True)
def normalise_turn(motion: Motion) -> None:
    """Bring the orientation of a row of MOTION back to unit length."""
    motion[3], motion[4], motion[5], motion[6] = normalise((motion[3], motion[4], motion[5], motion[6]))
