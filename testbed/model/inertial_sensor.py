"""Gyro and accelerometer: means over the last tick, with their errors.

A sample stamped t is the mean over the tick that ends at t, as a sensor with its own averaging gives it: the sum of
rate samples times the tick is the angle turned, and short pulses of thrust are not missed. Noise figures after IEEE Std
952: white noise of density N has the standard deviation N/sqrt(tick); the drifting part of the gyro bias is a
first-order Gauss-Markov process.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import conjugate, cross, multiply, normalise, rotate_inverse, to_rotation_vector
from testbed.model.table_surface import gravity_at

_TICK: Final = TICK_NS / NS_PER_S


@njit(cache=True)
def keep_means(world: Any, vehicle: Any, state: Any, before: NDArray[np.float64]) -> None:
    """Keep the mean rate and specific force over the tick that began with the motion `before` (bodies.py)."""
    q_before = (before[3], before[4], before[5], before[6])
    turn = to_rotation_vector(multiply(conjugate(q_before), state.orientation))
    q = normalise(
        (
            q_before[0] + state.orientation[0],
            q_before[1] + state.orientation[1],
            q_before[2] + state.orientation[2],
            q_before[3] + state.orientation[3],
        )
    )
    gravity = (0.0, 0.0, 0.0)
    if world.on_table:
        gravity = gravity_at(world, state.position[0], state.position[1])
    along_fixed = (
        (state.velocity[0] - before[7]) / _TICK - gravity[0],
        (state.velocity[1] - before[8]) / _TICK - gravity[1],
        (state.velocity[2] - before[9]) / _TICK - gravity[2],
    )
    at_centre = rotate_inverse(q, along_fixed)
    p, c = vehicle.imu_position, vehicle.centre_of_mass
    arm = (p[0] - c[0], p[1] - c[1], p[2] - c[2])
    rate = (turn[0] / _TICK, turn[1] / _TICK, turn[2] / _TICK)
    spin_up = (
        (state.rate[0] - before[10]) / _TICK,
        (state.rate[1] - before[11]) / _TICK,
        (state.rate[2] - before[12]) / _TICK,
    )
    tangential = cross(spin_up, arm)
    centripetal = cross(rate, cross(rate, arm))
    for i in range(3):
        state.mean_rate[i] = rate[i]
        state.mean_specific_force[i] = at_centre[i] + tangential[i] + centripetal[i]


@njit(cache=True)
def rest_means(world: Any, state: Any) -> None:
    """Set the means of a vehicle that has been at rest on a level floor, or afloat in the cabin."""
    state.mean_rate[:] = 0.0
    state.mean_specific_force[:] = 0.0
    if world.on_table:
        state.mean_specific_force[2] = world.gravity


@njit(cache=True)
def sense_imu(vehicle: Any, state: Any, stamp: int, noise: NDArray[np.float64], imu: Any) -> None:
    """Fill `imu` (messages.IMU) for `stamp` (ns) and let the gyro's bias drift by one tick.

    noise: 9 standard normals: gyro, accelerometer, drift.
    """
    imu.stamp = stamp
    for i in range(3):
        state.gyro_drift[i] = vehicle.gyro_drift_decay * state.gyro_drift[i] + vehicle.gyro_drift_step * noise[6 + i]
        rate = (1.0 + vehicle.gyro_scale[i]) * state.mean_rate[i]
        rate += vehicle.gyro_turn_on_bias[i] + state.gyro_drift[i] + vehicle.gyro_noise * noise[i]
        force = (
            state.mean_specific_force[i] + vehicle.accelerometer_bias[i] + vehicle.accelerometer_noise * noise[3 + i]
        )
        imu.angular_velocity[i] = min(max(rate, -vehicle.gyro_range), vehicle.gyro_range)
        imu.linear_acceleration[i] = min(max(force, -vehicle.accelerometer_range), vehicle.accelerometer_range)
