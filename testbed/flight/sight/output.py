"""The relative estimate as an odometry record: where the partner is in own base_link."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import cross, rotate, rotate_inverse, to_matrix
from testbed.flight.not_acquired import fill_not_acquired
from testbed.flight.sight.layout import (
    ACQUIRED,
    ATTITUDE,
    ERRORS,
    HISTORY,
    POSITION,
    RATE_BIAS,
    SPIN,
    VELOCITY,
)
from testbed.flight.sight.motion import carry, cross_with
from testbed.flight.sight.update import copy_track

LAST_USED: Final = RATE_BIAS + 3
"""Pose and twist depend on the errors before this one alone."""
HELD_RATE: Final = 1e-4
"""Standard deviation of a rate that the floor holds, rad/s."""
HELD_SPEED: Final = 0.5e-3
"""Standard deviation of a speed that the floor holds, m/s."""


@njit(cache=True)
def fill_odometry(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    """Fill `odometry` (ODOMETRY) with the partner's at the last own motion, whose stamp `stamp` is.

    Pose of the partner's base_link in own base_link; twist as that pose changes, seen from the turning own axes, along
    the partner's axes. Not acquired: position zero, orientation identity, twist zero, variances UNKNOWN_VARIANCE.
    """
    odometry.stamp = stamp
    odometry.pose_covariance[:] = 0.0
    odometry.twist_covariance[:] = 0.0
    if s.phase != ACQUIRED:
        fill_not_acquired(odometry)
        return
    track = s.now
    copy_track(s.anchor, track)
    carry(p, s, track, stamp)
    own = s.history[(s.history_end - 1) & (HISTORY - 1)]
    rate = own.rate[0] - track.rate_bias[0], own.rate[1] - track.rate_bias[1], own.rate[2] - track.rate_bias[2]
    to_centre = rotate(track.orientation, p.centre_of_mass)
    swing = rotate(track.orientation, cross(track.spin, p.centre_of_mass))
    for i in range(3):
        odometry.position[i] = track.position[i] - to_centre[i]
    turned = cross(rate, odometry.position)
    seen = (
        track.velocity[0] - swing[0] - turned[0],
        track.velocity[1] - swing[1] - turned[1],
        track.velocity[2] - swing[2] - turned[2],
    )
    own_turn = rotate_inverse(track.orientation, rate)
    odometry.orientation[:] = track.orientation
    odometry.linear_velocity[:] = rotate_inverse(track.orientation, seen)
    for i in range(3):
        odometry.angular_velocity[i] = track.spin[i] - own_turn[i]
    _fill_covariances(p, track, odometry, to_centre, rate, seen)


@njit(cache=True)
def _fill_covariances(p: Any, track: Any, odometry: Any, to_centre: Any, rate: Any, seen: Any) -> None:
    """Covariances of pose and twist; see `sensitivities`."""
    pose, twist, noise = np.zeros((6, ERRORS)), np.zeros((6, ERRORS)), np.zeros((6, 3))
    fill_sensitivities(p, track, odometry.position, to_centre, rate, seen, pose, twist, noise)
    P = track.covariance
    for a in range(2):
        T, covariance = (pose, odometry.pose_covariance) if a == 0 else (twist, odometry.twist_covariance)
        half = np.zeros((6, LAST_USED))
        for i in range(6):
            for k in range(LAST_USED):
                if T[i, k] != 0.0:
                    for j in range(LAST_USED):
                        half[i, j] += T[i, k] * P[k, j]
        for i in range(6):
            for j in range(i + 1):
                total = 0.0
                for k in range(LAST_USED):
                    total += half[i, k] * T[j, k]
                if a == 1:
                    for k in range(2 if p.planar else 0, 3):
                        total += p.rate_variance * noise[i, k] * noise[j, k]
                covariance[i, j] = total
                covariance[j, i] = total
    if p.planar:
        odometry.twist_covariance[2, 2] += HELD_SPEED * HELD_SPEED
        odometry.twist_covariance[3, 3] += HELD_RATE * HELD_RATE
        odometry.twist_covariance[4, 4] += HELD_RATE * HELD_RATE


@njit(cache=True)
def fill_sensitivities(
    p: Any, track: Any, place: Any, to_centre: Any, rate: Any, seen: Any, pose: Any, twist: Any, noise: Any
) -> None:
    """Fill the errors of pose and twist by those of the state, shape (6, ERRORS), and by the own rate's noise (6, 3).

    place, seen: position m of the partner's base_link and its change m/s, own axes.
    """
    R = np.empty((3, 3))
    to_matrix(track.orientation, R)
    slope = np.zeros((3, ERRORS))  # of `seen`
    c = p.centre_of_mass
    for i in range(3):
        pose[i, POSITION + i] = 1.0
        pose[3 + i, ATTITUDE + i] = 1.0
        slope[i, VELOCITY + i] = 1.0
        for j in range(3):
            a, b = (j + 1) % 3, (j + 2) % 3
            slope[i, SPIN + j] = -(R[i, b] * c[a] - R[i, a] * c[b])  # of R·(e × c), taken away
    cross_with(pose, POSITION, ATTITUDE, to_centre, -1.0)
    swing = rotate(track.orientation, cross(track.spin, c))
    cross_with(slope, 0, ATTITUDE, swing, -1.0)
    cross_with(slope, 0, RATE_BIAS, place, 1.0)
    for j in range(LAST_USED):  # place moves, too: -rate × δplace
        x, y, z = pose[0, j], pose[1, j], pose[2, j]
        slope[0, j] -= rate[1] * z - rate[2] * y
        slope[1, j] -= rate[2] * x - rate[0] * z
        slope[2, j] -= rate[0] * y - rate[1] * x
    cross_with(slope, 0, ATTITUDE, seen, -1.0)  # the partner's axes turn: Rᵀ·(seen × e)
    turn = np.zeros((3, ERRORS))  # of the own rate, seen from the partner: Rᵀ·(e_rate + e × rate)
    cross_with(turn, 0, ATTITUDE, rate, 1.0)
    for i in range(3):
        turn[i, RATE_BIAS + i] = 1.0
    for i in range(3):
        twist[3 + i, SPIN + i] = 1.0
        for j in range(LAST_USED):
            for k in range(3):
                twist[i, j] += R[k, i] * slope[k, j]
                twist[3 + i, j] += R[k, i] * turn[k, j]
        for j in range(3):
            for k in range(3):
                noise[i, j] += R[k, i] * slope[k, RATE_BIAS + j]
                noise[3 + i, j] += R[k, i] * turn[k, RATE_BIAS + j]
