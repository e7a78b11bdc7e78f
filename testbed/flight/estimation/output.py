"""The estimate as records: odometry, and the steady disturbance."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import cross, rotate_inverse, to_matrix
from testbed.flight.estimation.layout import ACQUIRED, ATTITUDE, BIAS, POSITION, VELOCITY
from testbed.flight.estimation.propagation import drag_rate, propagate_covariance, true_rate
from testbed.flight.not_acquired import fill_not_acquired

HELD_RATE: Final = 1e-4
"""Standard deviation of the rate about an axis that the floor holds, rad/s."""
GYRO_PERIOD: Final = TICK_NS / NS_PER_S
"""Time between gyro samples, over which the white noise of one sample is averaged, s."""


@njit(cache=True)
def output(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    """Fill `odometry` (ODOMETRY) with the estimate at the last gyro sample, whose stamp `stamp` is.

    Not acquired: position zero, orientation identity, twist zero, variances UNKNOWN_VARIANCE.
    """
    odometry.stamp = stamp
    odometry.pose_covariance[:] = 0.0
    odometry.twist_covariance[:] = 0.0
    if s.phase != ACQUIRED:
        fill_not_acquired(odometry)
        return
    track = s.now
    propagate_covariance(p, track)
    R, c = track.rotation, p.centre_of_mass
    to_matrix(track.orientation, R)
    rate = odometry.angular_velocity
    inertial, turning = true_rate(track, s.angular_velocity), (0.0, 0.0, 0.0)
    if p.frame_moves:
        turning = rotate_inverse(track.orientation, p.frame_rate)
    for i in range(3):
        rate[i] = p.free[3 + i] * (inertial[i] - turning[i])
    velocity = rotate_inverse(track.orientation, track.velocity)
    swing = cross(rate, c)
    for i in range(3):
        odometry.position[i] = track.position[i] - R[i, 0] * c[0] - R[i, 1] * c[1] - R[i, 2] * c[2]
        odometry.linear_velocity[i] = velocity[i] - swing[i]
    odometry.orientation[:] = track.orientation
    _pose_covariance(p, track, odometry.pose_covariance)
    _twist_covariance(p, track, odometry.twist_covariance)


@njit(cache=True)
def disturbance(p: Any, s: Any, stamp: int, wrench: Any) -> None:
    """Fill `wrench` (WRENCH) with the steady force that is not of the valves, N along the fixed axes; no torque.

    With the drag on the vehicle's own speed, which changes slowly. Not acquired: zero.
    """
    wrench.stamp = stamp
    drag = drag_rate(p, s.now)
    for i in range(3):
        force = p.mass * (s.now.disturbance[i] - p.free[i] * drag * s.now.velocity[i])
        wrench.force[i] = force if s.phase == ACQUIRED else 0.0
        wrench.torque[i] = 0.0


@njit(cache=True)
def _pose_covariance(p: Any, track: Any, covariance: Any) -> None:
    """Pose of base_link: δr = δp + (R·c) × δθ, where δp is of the centre of mass."""
    P, R, c = track.covariance, track.rotation, p.centre_of_mass
    lever = (
        R[0, 0] * c[0] + R[0, 1] * c[1] + R[0, 2] * c[2],
        R[1, 0] * c[0] + R[1, 1] * c[1] + R[1, 2] * c[2],
        R[2, 0] * c[0] + R[2, 1] * c[1] + R[2, 2] * c[2],
    )
    half = np.empty((6, 6))
    for j in range(6):
        column = POSITION + j if j < 3 else ATTITUDE + j - 3
        a0, a1, a2 = P[ATTITUDE, column], P[ATTITUDE + 1, column], P[ATTITUDE + 2, column]
        half[0, j] = P[POSITION, column] + lever[1] * a2 - lever[2] * a1
        half[1, j] = P[POSITION + 1, column] + lever[2] * a0 - lever[0] * a2
        half[2, j] = P[POSITION + 2, column] + lever[0] * a1 - lever[1] * a0
        half[3, j], half[4, j], half[5, j] = a0, a1, a2
    for i in range(6):
        row = half[i]
        covariance[i, 0] = row[0] + lever[1] * row[5] - lever[2] * row[4]
        covariance[i, 1] = row[1] + lever[2] * row[3] - lever[0] * row[5]
        covariance[i, 2] = row[2] + lever[0] * row[4] - lever[1] * row[3]
        for j in range(3, 6):
            covariance[i, j] = row[j]
    _symmetric(covariance)


@njit(cache=True)
def _twist_covariance(p: Any, track: Any, covariance: Any) -> None:
    """Twist in base_link: δv = Rᵀ·(δv + v × δθ) + c × δω and δω = −δb − n, with n the noise of one gyro sample."""
    P, R, v, c, free = track.covariance, track.rotation, track.velocity, p.centre_of_mass, p.free
    T, half = np.empty((3, 9)), np.empty((3, 9))  # T: of δv, columns velocity, attitude, bias
    for i in range(3):
        x, y, z = R[0, i], R[1, i], R[2, i]
        T[i, 0], T[i, 1], T[i, 2] = x, y, z
        T[i, 3], T[i, 4], T[i, 5] = y * v[2] - z * v[1], z * v[0] - x * v[2], x * v[1] - y * v[0]
    T[0, 6], T[0, 7], T[0, 8] = 0.0, c[2] * free[4], -c[1] * free[5]
    T[1, 6], T[1, 7], T[1, 8] = -c[2] * free[3], 0.0, c[0] * free[5]
    T[2, 6], T[2, 7], T[2, 8] = c[1] * free[3], -c[0] * free[4], 0.0
    for i in range(3):
        for j in range(9):
            total = 0.0
            for k in range(9):
                total += T[i, k] * P[VELOCITY + k, VELOCITY + j]
            half[i, j] = total
    noise = p.gyro_density * p.gyro_density / GYRO_PERIOD
    for i in range(3):
        for j in range(i, 3):
            total = 0.0
            for k in range(9):
                total += half[i, k] * T[j, k]
            for k in range(6, 9):
                total += noise * T[i, k] * T[j, k]
            covariance[i, j] = total
            covariance[3 + i, 3 + j] = free[3 + i] * free[3 + j] * P[BIAS + i, BIAS + j]
        for j in range(3):
            covariance[i, 3 + j] = -free[3 + j] * (half[i, 6 + j] + noise * T[i, 6 + j])
        covariance[3 + i, 3 + i] += noise * free[3 + i] * free[3 + i]
    for i in range(3):
        if p.free[3 + i] == 0.0:
            covariance[3 + i, 3 + i] += HELD_RATE * HELD_RATE
    _symmetric(covariance)


@njit(cache=True)
def _symmetric(matrix: Any) -> None:
    """Fill the lower half from the upper one."""
    for i in range(1, 6):
        for j in range(i):
            matrix[i, j] = matrix[j, i]
