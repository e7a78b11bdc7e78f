"""Rigid bodies: Newton and Euler about the centre of mass, stepped by the classical Runge-Kutta method.

A body's motion is a row of 13: centre of mass (0:3) and orientation (3:7) in the fixed frame, velocity of the centre
of mass along fixed axes (7:10), rate along body axes (10:13). Held axes have zeros in inverse_mass and inverse_inertia.
Thrust is given per step as force and torque linear in time, which this method integrates exactly into velocity and
position.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import cross, normalise, rotate, rotate_inverse
from testbed.model.contact import contact_forces
from testbed.model.table_surface import gravity_at

Motion = NDArray[np.float64]

MOTION: Final = 13
START, STAGE, SLOPE, SUM = 0, 1, 2, 3
"""Rows of a body's scratch, shape (4, 13)."""
FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE = 0, 1, 2, 3
"""Rows of a body's thrust, shape (4, 3): mean and slope over the step of force (N, N/s) and torque (N·m), body axes."""

_OFFSETS = (0.0, 0.5, 0.5, 1.0)
_WEIGHTS = (1.0, 2.0, 2.0, 1.0)


@njit(cache=True)
def load(state: Any, motion: Motion) -> None:
    """Copy the motion of `state` into a row of 13."""
    for i in range(3):
        motion[i] = state.centre[i]
        motion[7 + i] = state.velocity[i]
        motion[10 + i] = state.rate[i]
    for i in range(4):
        motion[3 + i] = state.orientation[i]


@njit(cache=True)
def store(vehicle: Any, motion: Motion, state: Any) -> None:
    """Copy a row of 13 into `state`, and derive the motion of base_link."""
    for i in range(3):
        state.centre[i] = motion[i]
        state.velocity[i] = motion[7 + i]
        state.rate[i] = motion[10 + i]
    q = normalise(motion[3:7])
    offset = rotate(q, vehicle.centre_of_mass)
    spin = cross(state.rate, vehicle.centre_of_mass)
    along_body = rotate_inverse(q, state.velocity)
    for i in range(4):
        state.orientation[i] = q[i]
    for i in range(3):
        state.position[i] = state.centre[i] - offset[i]
        state.linear_velocity[i] = along_body[i] - spin[i]


@njit(cache=True)
def motion_slope(
    world: Any, vehicle: Any, motion: Motion, thrust: Motion, time: float, push: Motion, slope: Motion
) -> None:
    """Fill `slope` with the time derivative of `motion`.

    thrust: shape (4, 3), see above; time: s after the middle of the step. push: contact force N and torque N·m about
    the centre of mass, fixed axes, shape (2, 3).
    """
    q = motion[3:7]
    w = (motion[10], motion[11], motion[12])
    force = (
        thrust[FORCE, 0] + time * thrust[FORCE_SLOPE, 0],
        thrust[FORCE, 1] + time * thrust[FORCE_SLOPE, 1],
        thrust[FORCE, 2] + time * thrust[FORCE_SLOPE, 2],
    )
    fixed = rotate(q, force)
    gravity = (0.0, 0.0, 0.0)
    if world.on_table:
        offset = rotate(q, vehicle.centre_of_mass)
        gravity = gravity_at(world, motion[0] - offset[0], motion[1] - offset[1])
    for i in range(3):
        slope[i] = motion[7 + i]
        total = fixed[i] + push[0, i] + vehicle.mass * gravity[i] - vehicle.film_drag * motion[7 + i]
        slope[7 + i] = total * vehicle.inverse_mass[i]

    slope[3] = 0.5 * (q[3] * w[0] + q[1] * w[2] - q[2] * w[1])
    slope[4] = 0.5 * (q[3] * w[1] + q[2] * w[0] - q[0] * w[2])
    slope[5] = 0.5 * (q[3] * w[2] + q[0] * w[1] - q[1] * w[0])
    slope[6] = -0.5 * (q[0] * w[0] + q[1] * w[1] + q[2] * w[2])

    inertia, inverse = vehicle.inertia, vehicle.inverse_inertia
    momentum = (
        inertia[0, 0] * w[0] + inertia[0, 1] * w[1] + inertia[0, 2] * w[2],
        inertia[1, 0] * w[0] + inertia[1, 1] * w[1] + inertia[1, 2] * w[2],
        inertia[2, 0] * w[0] + inertia[2, 1] * w[1] + inertia[2, 2] * w[2],
    )
    gyroscopic = cross(w, momentum)
    pushed = rotate_inverse(q, push[1])
    drag = vehicle.film_drag_rotation
    tx = thrust[TORQUE, 0] + time * thrust[TORQUE_SLOPE, 0] + pushed[0] - gyroscopic[0] - drag * w[0]
    ty = thrust[TORQUE, 1] + time * thrust[TORQUE_SLOPE, 1] + pushed[1] - gyroscopic[1] - drag * w[1]
    tz = thrust[TORQUE, 2] + time * thrust[TORQUE_SLOPE, 2] + pushed[2] - gyroscopic[2] - drag * w[2]
    for i in range(3):
        slope[10 + i] = inverse[i, 0] * tx + inverse[i, 1] * ty + inverse[i, 2] * tz


@njit(cache=True)
def step_bodies(
    world: Any,
    world_state: Any,
    vehicles: Any,
    states: Any,
    members: NDArray[np.int64],
    touching: bool,
    scratch: NDArray[np.float64],
    thrust: NDArray[np.float64],
    push: NDArray[np.float64],
    stamp: int,
    duration: float,
) -> None:
    """Step the bodies of `members` by `duration` s, all at once, so that contact between them conserves momentum.

    scratch: (vehicles, 4, 13); thrust: (vehicles, 4, 3); push: (vehicles, 2, 3), zeros unless `touching`.
    """
    for m in members:
        load(states[m], scratch[m, START])
        scratch[m, STAGE] = scratch[m, START]
        scratch[m, SUM] = 0.0
    for stage in range(4):
        offset = _OFFSETS[stage] * duration
        if stage > 0:
            for m in members:
                for i in range(MOTION):
                    scratch[m, STAGE, i] = scratch[m, START, i] + offset * scratch[m, SLOPE, i]
        if touching:
            weight = duration * _WEIGHTS[stage] / 6.0
            contact_forces(world, world_state, vehicles, states, members, scratch, push, stamp, weight)
        for m in members:
            motion_slope(
                world, vehicles[m], scratch[m, STAGE], thrust[m], offset - 0.5 * duration, push[m], scratch[m, SLOPE]
            )
            for i in range(MOTION):
                scratch[m, SUM, i] += _WEIGHTS[stage] * scratch[m, SLOPE, i]
    for m in members:
        for i in range(MOTION):
            scratch[m, START, i] += duration / 6.0 * scratch[m, SUM, i]
        store(vehicles[m], scratch[m, START], states[m])
