"""How the estimate moves on between pictures: own motion by own odometry, the partner by Newton and Euler.

The partner floats: its velocity against inertial space keeps, but for a random walk, and without torque its spin obeys
Euler's equations, in which only the ratios of its principal inertias count (axes of its base_link). Own motion comes in
as own odometry has it: the rate turns the own axes, and the change of the own velocity is taken from the relative one.
The own rate errs by white noise and a slow error; that and the error of the own velocity are states that wander about
zero (Gauss-Markov), as large as own odometry claims. Error-state equations: Solà, "Quaternion kinematics for the
error-state Kalman filter", arXiv:1711.02508 (from memory), here in the turning own axes.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import S_PER_NS
from testbed.description.rotation import (
    Tuple3,
    Vector3,
    from_rotation_vector,
    multiply,
    normalise,
    rotate,
    to_matrix,
)
from testbed.flight.sight.layout import (
    ATTITUDE,
    CAMERA,
    ERRORS,
    HISTORY,
    OWN_SPEED,
    POSITION,
    RATE_BIAS,
    RATIOS,
    SPIN,
    VELOCITY,
)

RATE_TIME: Final = 30.0
"""After so long the slow error of the own rate, that of the gyro's estimated bias, is another, s."""
HELD_TIME: Final = 20.0
"""A body on the table leans with the slope where it is, which is another after so long, s."""
HELD_HEIGHT: Final = 0.7e-3
"""Standard deviation of the height of one body on the table over another's, m."""
HELD_LEAN: Final = 0.42e-3
"""Standard deviation of the lean of one against another, rad."""


@njit(cache=True)
def spin_slope(spin: Vector3, ratios: Any) -> Tuple3:
    """Change of a free body's rate per second (Euler); ratios: logarithms of the inertias x/z and y/z."""
    x, y = math.exp(ratios[0]), math.exp(ratios[1])
    return (y - 1.0) / x * spin[1] * spin[2], (1.0 - x) / y * spin[2] * spin[0], (x - y) * spin[0] * spin[1]


@njit(cache=True)
def own_at(s: Any, number: int, stamp: int, velocity: Any) -> Tuple3:
    """Own rate rad/s at `stamp` between own motions `number` and `number` + 1; fills `velocity` m/s, own axes."""
    a, b = s.history[number & (HISTORY - 1)], s.history[(number + 1) & (HISTORY - 1)]
    share = (stamp - a.stamp) / (b.stamp - a.stamp)
    for i in range(3):
        velocity[i] = a.velocity[i] + share * (b.velocity[i] - a.velocity[i])
    return (
        a.rate[0] + share * (b.rate[0] - a.rate[0]),
        a.rate[1] + share * (b.rate[1] - a.rate[1]),
        a.rate[2] + share * (b.rate[2] - a.rate[2]),
    )


@njit(cache=True)
def carry(p: Any, s: Any, track: Any, until: int) -> None:
    """Carry `track` through the own motions kept to `until` (ns), or to the last of them."""
    number = s.history_first
    while number + 1 < s.history_end and track.stamp < until:
        end = s.history[(number + 1) & (HISTORY - 1)].stamp
        if end > track.stamp:
            carry_within(p, s, track, number, min(end, until))
        number += 1


@njit(cache=True)
def carry_within(p: Any, s: Any, track: Any, number: int, until: int) -> None:
    """Carry `track` to `until`, which lies with it between own motions `number` and `number` + 1."""
    dt = (until - track.stamp) * S_PER_NS
    before, after = np.empty(3), np.empty(3)
    own_at(s, number, track.stamp, before)
    reported = own_at(s, number, track.stamp + (until - track.stamp) // 2, after)
    own_at(s, number, until, after)
    rate = reported[0] - track.rate_bias[0], reported[1] - track.rate_bias[1], reported[2] - track.rate_bias[2]
    back = from_rotation_vector((-dt * rate[0], -dt * rate[1], -dt * rate[2]))
    kept, faded = rotate(back, before), rotate(back, track.own_speed)
    fading = math.exp(-dt / p.velocity_time) - 1.0
    drifted = (
        track.position[0] + dt * track.velocity[0],
        track.position[1] + dt * track.velocity[1],
        track.position[2] + dt * track.velocity[2],
    )
    position, velocity = rotate(back, drifted), rotate(back, track.velocity)
    slope = spin_slope(track.spin, track.ratios)
    middle = (
        track.spin[0] + 0.5 * dt * slope[0],
        track.spin[1] + 0.5 * dt * slope[1],
        track.spin[2] + 0.5 * dt * slope[2],
    )
    slope = spin_slope(middle, track.ratios)
    turn = from_rotation_vector((dt * middle[0], dt * middle[1], dt * middle[2]))
    track.orientation[:] = normalise(multiply(multiply(back, track.orientation), turn))
    for i in range(3):
        change = after[i] - kept[i] - fading * faded[i]  # of the own velocity, without that of its error
        track.position[i] = position[i] - 0.5 * dt * change
        track.velocity[i] = velocity[i] - change
        track.spin[i] += dt * slope[i]
        track.own_speed[i] = (1.0 + fading) * faded[i]
        track.rate_bias[i] *= math.exp(-dt / RATE_TIME)
    track.stamp = until
    transition = np.zeros((CAMERA, CAMERA))
    fill_transition(track, back, after, middle, dt, fading, transition)
    _carry_covariance(track.covariance, transition)
    _add_noise(p, track, s.history[number & (HISTORY - 1)], s.history[(number + 1) & (HISTORY - 1)], after, dt)
    if p.planar:
        _hold(p, track, dt)


@njit(cache=True)
def fill_transition(track: Any, back: Any, own: Any, spin: Any, dt: float, fading: float, F: Any) -> None:
    """Fill F, shape (CAMERA, CAMERA): errors after an interval by those before. `track` is the mean after it.

    back: turns old own axes to new ones; own: own velocity after it, own axes; spin: the partner's in the middle;
    fading: growth of the own velocity's error, a (negative) share of it.
    """
    B, R = np.empty((3, 3)), np.empty((3, 3))
    to_matrix(back, B)
    to_matrix(track.orientation, R)
    x, y = math.exp(track.ratios[0]), math.exp(track.ratios[1])
    kx, ky, kz = (y - 1.0) / x, (1.0 - x) / y, x - y
    for i in range(3):
        for j in range(3):
            F[POSITION + i, POSITION + j] = B[i, j]
            F[POSITION + i, VELOCITY + j] = dt * B[i, j]
            F[VELOCITY + i, VELOCITY + j] = B[i, j]
            F[ATTITUDE + i, ATTITUDE + j] = B[i, j]
            F[ATTITUDE + i, SPIN + j] = dt * R[i, j]
            F[POSITION + i, OWN_SPEED + j] = 0.5 * dt * fading * B[i, j]
            F[VELOCITY + i, OWN_SPEED + j] = fading * B[i, j]
            F[OWN_SPEED + i, OWN_SPEED + j] = (1.0 + fading) * B[i, j]
        F[ATTITUDE + i, RATE_BIAS + i] = dt
        F[SPIN + i, SPIN + i] = 1.0
        F[RATE_BIAS + i, RATE_BIAS + i] = math.exp(-dt / RATE_TIME)
    F[RATIOS, RATIOS], F[RATIOS + 1, RATIOS + 1] = 1.0, 1.0
    cross_with(F, POSITION, RATE_BIAS, track.position, dt)
    cross_with(F, VELOCITY, RATE_BIAS, track.velocity, dt)
    cross_with(F, VELOCITY, RATE_BIAS, own, dt)
    F[SPIN, SPIN + 1], F[SPIN, SPIN + 2] = dt * kx * spin[2], dt * kx * spin[1]
    F[SPIN + 1, SPIN], F[SPIN + 1, SPIN + 2] = dt * ky * spin[2], dt * ky * spin[0]
    F[SPIN + 2, SPIN], F[SPIN + 2, SPIN + 1] = dt * kz * spin[1], dt * kz * spin[0]
    F[SPIN, RATIOS], F[SPIN, RATIOS + 1] = -dt * kx * spin[1] * spin[2], dt * y / x * spin[1] * spin[2]
    F[SPIN + 1, RATIOS], F[SPIN + 1, RATIOS + 1] = -dt * x / y * spin[2] * spin[0], -dt * ky * spin[2] * spin[0]
    F[SPIN + 2, RATIOS], F[SPIN + 2, RATIOS + 1] = dt * x * spin[0] * spin[1], -dt * y * spin[0] * spin[1]


@njit(cache=True)
def cross_with(matrix: Any, row: int, column: int, v: Any, scale: float) -> None:
    """Add the matrix of e × v, times `scale`, to a block of `matrix`."""
    matrix[row, column + 1] += scale * v[2]
    matrix[row, column + 2] -= scale * v[1]
    matrix[row + 1, column] -= scale * v[2]
    matrix[row + 1, column + 2] += scale * v[0]
    matrix[row + 2, column] += scale * v[1]
    matrix[row + 2, column + 1] -= scale * v[0]


@njit(cache=True)
def _carry_covariance(P: Any, F: Any) -> None:
    """P = F·P·Fᵀ where the errors from CAMERA on stay as they are."""
    upper = np.zeros((CAMERA, ERRORS))
    for i in range(CAMERA):
        for k in range(CAMERA):
            if F[i, k] != 0.0:
                for j in range(ERRORS):
                    upper[i, j] += F[i, k] * P[k, j]
    for i in range(CAMERA):
        for j in range(CAMERA, ERRORS):
            P[i, j] = upper[i, j]
            P[j, i] = upper[i, j]
        for j in range(i + 1):
            total = 0.0
            for k in range(CAMERA):
                total += upper[i, k] * F[j, k]
            P[i, j] = total
            P[j, i] = total


@njit(cache=True)
def _add_noise(p: Any, track: Any, a: Any, b: Any, own: Any, dt: float) -> None:
    """Add what the interval of `dt` s between own motions `a` and `b` adds: own rate, own velocity, partner's walk."""
    P = track.covariance
    renewed = 1.0 - math.exp(-2.0 * dt / p.velocity_time)
    axes = 2 if p.planar else 3
    for i in range(axes):
        for j in range(axes):
            fresh = renewed * b.velocity_covariance[i, j]
            change = fresh
            if i == j:
                change += dt * p.acceleration_walk
            P[VELOCITY + i, VELOCITY + j] += change
            P[POSITION + i, VELOCITY + j] += 0.5 * dt * change
            P[VELOCITY + j, POSITION + i] += 0.5 * dt * change
            P[POSITION + i, POSITION + j] += dt * dt / 3.0 * change
            P[OWN_SPEED + i, OWN_SPEED + j] += fresh
            P[OWN_SPEED + i, VELOCITY + j] += fresh
            P[VELOCITY + j, OWN_SPEED + i] += fresh
            P[OWN_SPEED + i, POSITION + j] += 0.5 * dt * fresh
            P[POSITION + j, OWN_SPEED + i] += 0.5 * dt * fresh
    for i in range(3):
        if i == 2 or not p.planar:
            P[SPIN + i, SPIN + i] += dt * p.spin_walk
            P[RATE_BIAS + i, RATE_BIAS + i] += (1.0 - math.exp(-2.0 * dt / RATE_TIME)) * b.rate_error[i]
    white = p.rate_variance * (b.stamp - a.stamp) * S_PER_NS * dt
    G = np.zeros((ATTITUDE + 3, 3))
    cross_with(G, POSITION, 0, track.position, 1.0)
    cross_with(G, VELOCITY, 0, track.velocity, 1.0)
    cross_with(G, VELOCITY, 0, own, 1.0)
    for k in range(3):
        G[ATTITUDE + k, k] = 1.0
    for k in range(2 if p.planar else 0, 3):
        for i in range(ATTITUDE + 3):
            for j in range(ATTITUDE + 3):
                P[i, j] += white * G[i, k] * G[j, k]


@njit(cache=True)
def _hold(p: Any, track: Any, dt: float) -> None:
    """What the floor holds: height and lean stay about level, vertical speed and tumbling are none."""
    keep = math.exp(-dt / HELD_TIME)
    track.position[2] = p.height + keep * (track.position[2] - p.height)
    x, y, _ = rotate(track.orientation, (0.0, 0.0, 1.0))
    upright = from_rotation_vector(((1.0 - keep) * y, -(1.0 - keep) * x, 0.0))
    track.orientation[:] = normalise(multiply(upright, track.orientation))
    _forget(track.covariance, POSITION + 2, keep, HELD_HEIGHT)
    _forget(track.covariance, ATTITUDE, keep, HELD_LEAN)
    _forget(track.covariance, ATTITUDE + 1, keep, HELD_LEAN)
    track.velocity[2] = 0.0
    track.spin[0] = 0.0
    track.spin[1] = 0.0
    _forget(track.covariance, VELOCITY + 2, 0.0, 0.0)
    _forget(track.covariance, SPIN, 0.0, 0.0)
    _forget(track.covariance, SPIN + 1, 0.0, 0.0)


@njit(cache=True)
def _forget(P: Any, index: int, keep: float, deviation: float) -> None:
    """Make one error a share `keep` of what it was and the rest new, with this standard deviation."""
    for k in range(ERRORS):
        P[index, k] *= keep
        P[k, index] *= keep
    P[index, index] += (1.0 - keep * keep) * deviation * deviation
