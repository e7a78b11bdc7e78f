"""Scalar Kalman updates: one range, one held axis.

Joseph's form (I − K·H)·P·(I − K·H)ᵀ + K·R·Kᵀ, multiplied out for a scalar with g = P·Hᵀ and S = H·g + R:

    P' = P − K·gᵀ − g·Kᵀ + K·S·Kᵀ = P − (K·bᵀ + b·Kᵀ) with b = g − S·K/2

which holds for any gain, so that rounding of K = g/S enters in second order only, and is symmetric to the last bit in
one pass. A rejected measurement changes nothing. Tests compare it with the product of dense matrices, and run it for
hours on ill-conditioned problems.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.rotation import from_rotation_vector, multiply, normalise, rotate
from testbed.flight.estimation.layout import (
    AIR,
    ATTITUDE,
    BEACONS,
    BIAS,
    DISTURBANCE,
    POSITION,
    VELOCITY,
)

GATE: Final = 10.828
"""Bound on innovation²/variance: 99.9 % of chi-square with one degree of freedom."""

HELD_HEIGHT: Final = 0.5e-3
"""Standard deviation of the height of a body on the table, m."""
HELD_SPEED: Final = 0.5e-3
"""Standard deviation of its vertical velocity, m/s."""
HELD_ANGLE: Final = 0.3e-3
"""Standard deviation of its roll and pitch, rad: about the largest slope of a table fit for use."""


@njit(cache=True)
def correct(p: Any, track: Any, innovation: float, variance: float) -> None:
    """Apply a scalar measurement whose P·Hᵀ stands in `track.gain`; `variance` is that of the innovation."""
    gain, P, n = track.gain, track.covariance, p.errors
    weight = innovation / variance
    for i in range(3):
        track.position[i] += weight * gain[POSITION + i]
        track.velocity[i] += weight * gain[VELOCITY + i]
        track.gyro_bias[i] += weight * gain[BIAS + i]
        track.disturbance[i] += weight * gain[DISTURBANCE + i]
    turn = from_rotation_vector((weight * gain[ATTITUDE], weight * gain[ATTITUDE + 1], weight * gain[ATTITUDE + 2]))
    track.orientation[:] = normalise(multiply(turn, track.orientation))
    if p.range_constants:
        track.air += weight * gain[AIR]
        for b in range(p.beacon_count):
            for i in range(3):
                track.survey[b, i] += weight * gain[BEACONS + 3 * b + i]
    for g in range(p.gyro_errors):
        track.gyro_matrix[p.gyro_row[g], p.gyro_column[g]] += weight * gain[p.gyro_errors_at + g]
    K, b = track.kalman, gain
    for i in range(n):
        K[i] = gain[i] / variance
        b[i] -= 0.5 * variance * K[i]
    for i in range(n):
        for j in range(n):
            P[i, j] -= K[i] * b[j] + b[i] * K[j]


@njit(cache=True)
def range_variance(p: Any, distance: float, loudness: float) -> float:
    """Variance of the noise of one measured distance, m², which own valves make grow by a fraction `loudness`."""
    sigma = p.range_constant + p.range_per_metre * distance
    return sigma * sigma * (1.0 + loudness) + p.range_jitter * p.range_jitter


@njit(cache=True)
def constant_variance(p: Any, distance: float) -> float:
    """Variance of what is constant in a measured distance, m²: survey of the beacon, error of the speed of sound."""
    scale = p.sound_error * distance
    return p.range_survey * p.range_survey + scale * scale


@njit(cache=True)
def update_range(p: Any, track: Any, beacon: int, receiver: int, measured: float, noise: float) -> Any:
    """Use the distance from a beacon to a receiver, measured with the believed speed of sound, if the gate lets it.

    The model is |receiver − beacon| / (1 + air). Returns innovation m, its variance m², and whether it was used.
    """
    lever = rotate(track.orientation, p.arm[receiver])
    place, offset = p.beacon[beacon], track.survey[beacon]
    x = track.position[0] + lever[0] - place[0] - offset[0]
    y = track.position[1] + lever[1] - place[1] - offset[1]
    z = track.position[2] + lever[2] - place[2] - offset[2]
    distance = math.sqrt(x * x + y * y + z * z)
    x, y, z = x / distance, y / distance, z / distance
    rx = lever[1] * z - lever[2] * y
    ry = lever[2] * x - lever[0] * z
    rz = lever[0] * y - lever[1] * x
    gain, P, n = track.gain, track.covariance, p.errors
    for i in range(n):  # H: the direction, and its moment about the centre of mass
        gain[i] = P[POSITION, i] * x + P[POSITION + 1, i] * y + P[POSITION + 2, i] * z
        gain[i] += P[ATTITUDE, i] * rx + P[ATTITUDE + 1, i] * ry + P[ATTITUDE + 2, i] * rz
    at = BEACONS + 3 * beacon
    if p.range_constants:
        for i in range(n):
            gain[i] -= P[at, i] * x + P[at + 1, i] * y + P[at + 2, i] * z + P[AIR, i] * distance
    variance = noise + x * gain[POSITION] + y * gain[POSITION + 1] + z * gain[POSITION + 2]
    variance += rx * gain[ATTITUDE] + ry * gain[ATTITUDE + 1] + rz * gain[ATTITUDE + 2]
    if p.range_constants:
        variance -= x * gain[at] + y * gain[at + 1] + z * gain[at + 2] + distance * gain[AIR]
    innovation = measured - distance / (1.0 + track.air)
    if not innovation * innovation <= GATE * variance:
        return innovation, variance, False
    correct(p, track, innovation, variance)
    return innovation, variance, True


@njit(cache=True)
def _update_component(p: Any, track: Any, index: int, innovation: float, sigma: float) -> None:
    """Use a direct measurement of one component of the error state."""
    for i in range(p.errors):
        track.gain[i] = track.covariance[index, i]
    correct(p, track, innovation, track.gain[index] + sigma * sigma)


@njit(cache=True)
def update_held_axes(p: Any, track: Any) -> None:
    """Use what the floor is known to do: hold height, roll and pitch, and so vertical speed.

    That roll and pitch do not turn is in their being zero at every call: the bias moves them through the propagation. A
    measurement of the rates beside it would use the same gyro samples twice.
    """
    if p.free[2] == 0.0:
        _update_component(p, track, POSITION + 2, p.held_height - track.position[2], HELD_HEIGHT)
        _update_component(p, track, VELOCITY + 2, -track.velocity[2], HELD_SPEED)
    if p.free[3] == 0.0:
        vertical = rotate(track.orientation, (0.0, 0.0, 1.0))
        _update_component(p, track, ATTITUDE, vertical[1], HELD_ANGLE)
    if p.free[4] == 0.0:
        vertical = rotate(track.orientation, (0.0, 0.0, 1.0))
        _update_component(p, track, ATTITUDE + 1, -vertical[0], HELD_ANGLE)
