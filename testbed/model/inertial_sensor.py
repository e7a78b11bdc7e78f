"""Gyro and accelerometer: means over the last tick, with their errors.

A sample stamped t is the mean over the tick that ends at t, as a sensor with its own averaging gives it: the sum of
rate samples times the tick is the angle turned, and short pulses of thrust are not missed. Noise figures after IEEE Std
952: white noise of density N has the standard deviation N/sqrt(tick); the drifting part of a bias is a first-order
Gauss-Markov process; the least significant bit is one of angle or velocity, whose remainder is carried over to the next
sample, so that quantisation adds up to less than one bit however long it is summed.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import Tuple3, conjugate, cross, multiply, rotate, rotate_inverse, to_rotation_vector
from testbed.model.environment import frame_rate_along_body, free_acceleration

_TICK: Final = TICK_NS / NS_PER_S
_SLOW: Final = 2e-4
"""Square of half the angle turned in a tick: up to 2.8 rad/s; the next term of the series is then below 1e-16."""


@njit(cache=True, forceinline=True)
def keep_start(state: Any) -> None:
    """Keep the motion at the start of a tick, whose means `sense_imu` forms at its end; call before it is stepped."""
    for i in range(3):
        state.start_velocity[i] = state.linear_velocity[i]
        state.start_rate[i] = state.rate[i]
    for i in range(4):
        state.start_orientation[i] = state.orientation[i]


@njit(cache=True)
def mean_rate(state: Any) -> Tuple3:
    """Rotation vector of the last tick over its duration, rad/s, body axes: the turns put together are the orientation.

    It is the mean of the rate where the axis stays; where it moves they differ by the coning of one tick,
    |ω × dω/dt|·tick²/12, 2e-6 rad/s at 15 °/s and 0.8 rad/s².
    """
    q = multiply(conjugate(state.start_orientation), state.orientation)
    square = q[0] * q[0] + q[1] * q[1] + q[2] * q[2]
    if square < _SLOW and q[3] > 0.0:  # the arc sine as a series, to rounding
        scale = 2.0 / _TICK * (1.0 + square * (1.0 / 6.0 + square * (3.0 / 40.0 + square * (15.0 / 336.0))))
        return scale * q[0], scale * q[1], scale * q[2]
    turn = to_rotation_vector(q)
    return turn[0] / _TICK, turn[1] / _TICK, turn[2] / _TICK


@njit(cache=True)
def with_frame(world: Any, state: Any, rate: Tuple3) -> Tuple3:
    """The same rate against inertial space: a gyro feels the turning of the fixed frame, too."""
    a, b = frame_rate_along_body(world, state.start_orientation), frame_rate_along_body(world, state.orientation)
    return rate[0] + 0.5 * (a[0] + b[0]), rate[1] + 0.5 * (a[1] + b[1]), rate[2] + 0.5 * (a[2] + b[2])


@njit(cache=True)
def mean_specific_force(world: Any, vehicle: Any, state: Any, rate: Tuple3) -> Tuple3:
    """Mean over the last tick of the specific force at the sensor, m/s², body axes.

    dv/dt + ω × v at base_link (v along body axes), plus what the arm to the sensor adds, less gravity. The products
    are formed of the means of their factors. Left out: tick²/12 times their second derivatives, which is a fraction
    (ω·tick)²/12 of the force and of ω·v, 6e-7 at 15 °/s, and below 1e-6 m/s² from angular acceleration.
    """
    v, start = state.linear_velocity, state.start_velocity
    spin_up = (
        (state.rate[0] - state.start_rate[0]) / _TICK,
        (state.rate[1] - state.start_rate[1]) / _TICK,
        (state.rate[2] - state.start_rate[2]) / _TICK,
    )
    arm = vehicle.imu_position
    lever = cross(rate, arm)
    # what gravity and the frame do at the end of the tick; the products below take it back to the middle
    gravity = rotate_inverse(state.orientation, _free_at_sensor(world, state, arm, lever))
    turning = cross(
        rate,
        (
            0.5 * (start[0] + v[0] - _TICK * gravity[0]) + lever[0],
            0.5 * (start[1] + v[1] - _TICK * gravity[1]) + lever[1],
            0.5 * (start[2] + v[2] - _TICK * gravity[2]) + lever[2],
        ),
    )
    tangential = cross(spin_up, arm)
    return (
        (v[0] - start[0]) / _TICK + turning[0] + tangential[0] - gravity[0],
        (v[1] - start[1]) / _TICK + turning[1] + tangential[1] - gravity[1],
        (v[2] - start[2]) / _TICK + turning[2] + tangential[2] - gravity[2],
    )


@njit(cache=True)
def _free_at_sensor(world: Any, state: Any, arm: Any, lever: Tuple3) -> Tuple3:
    """Acceleration along fixed axes that nothing would feel at the sensor, which moves by `lever` m/s more."""
    q, base, v = state.orientation, state.position, state.linear_velocity
    ahead = rotate(q, arm)
    velocity = rotate(q, (v[0] + lever[0], v[1] + lever[1], v[2] + lever[2]))
    return free_acceleration(world, q, arm, (base[0] + ahead[0], base[1] + ahead[1], base[2] + ahead[2]), velocity)


@njit(cache=True)
def sense_imu(world: Any, vehicle: Any, state: Any, stamp: int, noise: NDArray[np.float64], imu: Any) -> None:
    """Fill `imu` (messages.IMU) for `stamp` (ns) and let the biases drift by one tick.

    noise: 9 standard normals: gyro, accelerometer, drift. The last three are the gyro's in every even tick and the
    accelerometer's in every odd one: each drifts in steps of two ticks, exact for its process and cheaper.
    """
    imu.stamp = stamp
    even = stamp // TICK_NS % 2 == 0
    rate = mean_rate(state)
    force = mean_specific_force(world, vehicle, state, rate)
    if world.frame_moves:
        rate = with_frame(world, state, rate)
    for i in range(3):
        if even:
            state.gyro_drift[i] *= vehicle.gyro_drift_decay
            state.gyro_drift[i] += vehicle.gyro_drift_step * noise[6 + i]
        else:
            state.accelerometer_drift[i] *= vehicle.accelerometer_drift_decay
            state.accelerometer_drift[i] += vehicle.accelerometer_drift_step * noise[6 + i]
        if vehicle.gyro_dead == 0:
            row = vehicle.gyro_matrix[i]
            value = row[0] * rate[0] + row[1] * rate[1] + row[2] * rate[2]
            value += vehicle.gyro_turn_on_bias[i] + vehicle.gyro_bias_jump[i] + state.gyro_drift[i]
            value += vehicle.gyro_noise * noise[i]
            state.gyro_output[i] = digitise(value, vehicle.gyro_range, vehicle.gyro_step, state.gyro_remainder, i)
        if vehicle.accelerometer_dead == 0:
            row = vehicle.accelerometer_matrix[i]
            value = row[0] * force[0] + row[1] * force[1] + row[2] * force[2]
            value += vehicle.accelerometer_bias[i] + state.accelerometer_drift[i]
            value += vehicle.accelerometer_noise * noise[3 + i]
            state.accelerometer_output[i] = digitise(
                value, vehicle.accelerometer_range, vehicle.accelerometer_step, state.accelerometer_remainder, i
            )
        imu.angular_velocity[i] = state.gyro_output[i]
        imu.linear_acceleration[i] = state.accelerometer_output[i]


@njit(cache=True)
def digitise(value: float, limit: float, step: float, remainder: NDArray[np.float64], axis: int) -> float:
    """Limit `value` to the full scale and round it to whole steps (0: not at all), carrying the remainder over."""
    value = min(max(value, -limit), limit)
    if step == 0.0:
        return value
    wanted = value + remainder[axis]
    rounded = min(max(np.rint(wanted / step) * step, -limit), limit)
    remainder[axis] = wanted - rounded
    return rounded
