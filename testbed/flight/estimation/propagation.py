"""How the estimate moves on between measurements: the mean sample by sample, the covariance in longer steps.

With the attitude error about the fixed axes, the transition over many gyro samples needs only two integrals of what the
mean went through: of the rotation matrix and of the acceleration by the valves. So the mean takes every sample and the
covariance one sparse step per chirp or output (error-state equations: Solà, "Quaternion kinematics for the error-state
Kalman filter", arXiv:1711.02508, section 7, "global angular errors").

In a cabin that turns with its orbit the gyro feels the frame's rate, and Coriolis and tidal terms accelerate: both are
in the mean, as is the drag of film or air on the vehicle's own speed. What they do to the covariance within the
filter's memory is too little to carry along.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.rotation import (
    Tuple3,
    cross,
    from_rotation_vector,
    multiply,
    normalise,
    rotate_inverse,
    to_matrix,
)
from testbed.flight.estimation.layout import ATTITUDE, BIAS, DISTURBANCE, HISTORY, MOTION_ERRORS, POSITION, VELOCITY

SLOWEST: Final = 1e-3
"""The disturbance changes on the way from place to place, as at this speed, m/s, where the vehicle is slower."""


@njit(cache=True)
def copy_track(p: Any, source: Any, target: Any) -> None:
    """Copy mean and covariance; the covariance of `source` must be up to date."""
    target.stamp = source.stamp
    for i in range(3):
        target.position[i] = source.position[i]
        target.velocity[i] = source.velocity[i]
        target.gyro_bias[i] = source.gyro_bias[i]
        target.disturbance[i] = source.disturbance[i]
        for j in range(3):
            target.gyro_matrix[i, j] = source.gyro_matrix[i, j]
    for i in range(4):
        target.orientation[i] = source.orientation[i]
    target.air = source.air
    for b in range(p.beacon_count):
        for i in range(3):
            target.survey[b, i] = source.survey[b, i]
    for i in range(p.errors):
        for j in range(p.errors):
            target.covariance[i, j] = source.covariance[i, j]
    clear_pending(target)


@njit(cache=True)
def clear_pending(track: Any) -> None:
    """Say that the covariance is at the time of the mean."""
    track.elapsed = 0.0
    track.attitude_noise = 0.0
    track.pushed = 0
    track.turn_integral[:] = 0.0
    for i in range(3):
        track.push_integral[i] = 0.0
        for j in range(3):
            track.rotation_integral[i, j] = 0.0
            track.velocity_noise[i, j] = 0.0


@njit(cache=True)
def propagate_mean(p: Any, s: Any, track: Any, slot: int, until: int) -> None:
    """Carry the mean to `until` (ns) within the gyro interval kept at `slot`, and gather what the covariance needs.

    Constant rate and body-fixed push over the interval; rotation exact, push turned by the orientation at half time.
    """
    dt = (until - track.stamp) * 1e-9
    track.stamp = until
    inertial = true_rate(track, s.history_rate[slot])
    wx, wy, wz = inertial
    if p.frame_moves:
        turning = rotate_inverse(track.orientation, p.frame_rate)
        wx, wy, wz = wx - turning[0], wy - turning[1], wz - turning[2]
    half_turn = from_rotation_vector((0.5 * dt * wx, 0.5 * dt * wy, 0.5 * dt * wz))
    middle = normalise(multiply(track.orientation, half_turn))
    track.orientation[:] = multiply(middle, half_turn)
    to_matrix(middle, track.rotation)
    push = s.history_push[slot]
    drag = drag_rate(p, track)
    pull = (
        track.disturbance[0] - drag * track.velocity[0],
        track.disturbance[1] - drag * track.velocity[1],
        track.disturbance[2] - drag * track.velocity[2],
    )
    if p.frame_moves:
        pull = in_turning_frame(p, track, pull)
    for i in range(3):
        turned = track.rotation[i, 0] * push[0] + track.rotation[i, 1] * push[1] + track.rotation[i, 2] * push[2]
        acceleration = p.free[i] * (turned + pull[i])
        track.position[i] += dt * (track.velocity[i] + 0.5 * dt * acceleration)
        track.velocity[i] += dt * acceleration
        track.push_integral[i] += dt * p.free[i] * turned
        for j in range(3):
            track.rotation_integral[i, j] += dt * track.rotation[i, j]
    track.elapsed += dt
    track.attitude_noise += dt * p.gyro_density * p.gyro_density
    for g in range(p.gyro_errors):
        turned = dt * inertial[p.gyro_column[g]]
        for i in range(3):
            track.turn_integral[g, i] += turned * track.rotation[i, p.gyro_row[g]]
    if s.history_pushed[slot]:
        _gather_velocity_noise(track, s.history_noise[slot], dt)


@njit(cache=True)
def drag_rate(p: Any, track: Any) -> float:
    """Deceleration over speed, 1/s, by the air film or the cabin's air at rest."""
    v = track.velocity
    return float(p.linear_drag + p.square_drag * math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]))


@njit(cache=True)
def true_rate(track: Any, measured: Any) -> Tuple3:
    """Rate against inertial space that a sample of the gyro means, rad/s: its own errors taken away."""
    M, bias = track.gyro_matrix, track.gyro_bias
    x, y, z = measured[0] - bias[0], measured[1] - bias[1], measured[2] - bias[2]
    return (
        x - M[0, 0] * x - M[0, 1] * y - M[0, 2] * z,
        y - M[1, 0] * x - M[1, 1] * y - M[1, 2] * z,
        z - M[2, 0] * x - M[2, 1] * y - M[2, 2] * z,
    )


@njit(cache=True)
def in_turning_frame(p: Any, track: Any, pull: Tuple3) -> Tuple3:
    """`pull` m/s² with the Coriolis and tidal terms of a frame that turns (see model/environment.py for the source)."""
    c, T, x = cross(p.frame_rate, track.velocity), p.tidal, track.position
    return (
        pull[0] - 2.0 * c[0] + T[0, 0] * x[0] + T[0, 1] * x[1] + T[0, 2] * x[2],
        pull[1] - 2.0 * c[1] + T[1, 0] * x[0] + T[1, 1] * x[1] + T[1, 2] * x[2],
        pull[2] - 2.0 * c[2] + T[2, 0] * x[0] + T[2, 1] * x[1] + T[2, 2] * x[2],
    )


@njit(cache=True)
def _gather_velocity_noise(track: Any, density: Any, dt: float) -> None:
    """Add noise along body axes, m²/s³ over dt s, turned to fixed axes."""
    R = track.rotation
    track.pushed = 1
    for i in range(3):
        a = R[i, 0] * density[0, 0] + R[i, 1] * density[1, 0] + R[i, 2] * density[2, 0]
        b = R[i, 0] * density[0, 1] + R[i, 1] * density[1, 1] + R[i, 2] * density[2, 1]
        c = R[i, 0] * density[0, 2] + R[i, 1] * density[1, 2] + R[i, 2] * density[2, 2]
        for j in range(i + 1):
            track.velocity_noise[i, j] += dt * (a * R[j, 0] + b * R[j, 1] + c * R[j, 2])


@njit(cache=True)
def propagate_covariance(p: Any, track: Any) -> None:
    """Bring the covariance to the time of the mean: P = F·P·Fᵀ + Q with the sparse F written out; P stays symmetric."""
    dt = track.elapsed
    if dt <= 0.0:
        return
    P, n = track.covariance, p.errors
    _transform_rows(p, track, P, n, dt)
    _transform_columns(p, track, P, dt)
    for i in range(1, n):
        for j in range(min(i, MOTION_ERRORS)):
            P[i, j] = P[j, i]
    walk = disturbance_walk(p, track)
    if track.pushed:
        _add_velocity_noise(p, track, dt)
    for k in range(3):
        if p.free[k] > 0.0:
            P[DISTURBANCE + k, DISTURBANCE + k] += dt * walk
            P[DISTURBANCE + k, VELOCITY + k] += 0.5 * dt * dt * walk
            P[VELOCITY + k, DISTURBANCE + k] += 0.5 * dt * dt * walk
        P[ATTITUDE + k, ATTITUDE + k] += track.attitude_noise
        P[BIAS + k, BIAS + k] += dt * p.bias_walk
    clear_pending(track)


@njit(cache=True)
def disturbance_walk(p: Any, track: Any) -> float:
    """Spectral density of the disturbance's change, (m/s²)²/s: it changes from place to place, so with the speed."""
    v = track.velocity
    return p.disturbance_walk * max(SLOWEST, math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2]))


@njit(cache=True)
def _add_velocity_noise(p: Any, track: Any, dt: float) -> None:
    """Spread the gathered velocity noise as white acceleration does over dt s."""
    P = track.covariance
    for i in range(3):
        for j in range(i + 1):
            noise = p.free[i] * p.free[j] * track.velocity_noise[i, j]
            for a, b in ((i, j), (j, i)):
                P[VELOCITY + a, VELOCITY + b] += noise
                P[POSITION + a, POSITION + b] += noise * dt * dt / 3.0
                P[POSITION + a, VELOCITY + b] += noise * dt / 2.0
                P[VELOCITY + a, POSITION + b] += noise * dt / 2.0
                if i == j:
                    break


@njit(cache=True)
def _transform_rows(p: Any, track: Any, P: Any, n: int, dt: float) -> None:
    """P ← F·P: position by velocity and disturbance, velocity by attitude and disturbance, attitude by the gyro's.

    Each block is changed before those that it reads.
    """
    half = 0.5 * dt * dt
    R, push, turn, at = track.rotation_integral, track.push_integral, track.turn_integral, p.gyro_errors_at
    x, y, z = push[0], push[1], push[2]
    for j in range(n):
        for k in range(3):
            P[POSITION + k, j] += dt * P[VELOCITY + k, j] + half * P[DISTURBANCE + k, j]
        t0, t1, t2 = P[ATTITUDE, j], P[ATTITUDE + 1, j], P[ATTITUDE + 2, j]
        P[VELOCITY, j] += t1 * z - t2 * y + dt * P[DISTURBANCE, j]
        P[VELOCITY + 1, j] += t2 * x - t0 * z + dt * P[DISTURBANCE + 1, j]
        P[VELOCITY + 2, j] += t0 * y - t1 * x + dt * P[DISTURBANCE + 2, j]
        b0, b1, b2 = P[BIAS, j], P[BIAS + 1, j], P[BIAS + 2, j]
        for k in range(3):
            P[ATTITUDE + k, j] = P[ATTITUDE + k, j] - R[k, 0] * b0 - R[k, 1] * b1 - R[k, 2] * b2
    for g in range(p.gyro_errors):
        a, b, c = turn[g, 0], turn[g, 1], turn[g, 2]
        for j in range(n):
            P[ATTITUDE, j] -= a * P[at + g, j]
            P[ATTITUDE + 1, j] -= b * P[at + g, j]
            P[ATTITUDE + 2, j] -= c * P[at + g, j]


@njit(cache=True)
def _transform_columns(p: Any, track: Any, P: Any, dt: float) -> None:
    """P ← P·Fᵀ in the rows of the motion; the rows of the constants are their mirror image."""
    half = 0.5 * dt * dt
    R, push, turn, at = track.rotation_integral, track.push_integral, track.turn_integral, p.gyro_errors_at
    x, y, z = push[0], push[1], push[2]
    for i in range(MOTION_ERRORS):
        row = P[i]
        for k in range(3):
            row[POSITION + k] += dt * row[VELOCITY + k] + half * row[DISTURBANCE + k]
        t0, t1, t2 = row[ATTITUDE], row[ATTITUDE + 1], row[ATTITUDE + 2]
        row[VELOCITY] += t1 * z - t2 * y + dt * row[DISTURBANCE]
        row[VELOCITY + 1] += t2 * x - t0 * z + dt * row[DISTURBANCE + 1]
        row[VELOCITY + 2] += t0 * y - t1 * x + dt * row[DISTURBANCE + 2]
        b0, b1, b2 = row[BIAS], row[BIAS + 1], row[BIAS + 2]
        for k in range(3):
            row[ATTITUDE + k] = row[ATTITUDE + k] - R[k, 0] * b0 - R[k, 1] * b1 - R[k, 2] * b2
        for g in range(p.gyro_errors):
            for k in range(3):
                row[ATTITUDE + k] -= turn[g, k] * row[at + g]


@njit(cache=True)
def replay(p: Any, s: Any, track: Any, number: int, until: int) -> int:
    """Carry the mean of `track` to `until` (ns) through the kept gyro intervals, from interval `number` on.

    Returns the number of the interval that holds `until`, to go on from. Stops early where the history ends.
    """
    while number < s.history_end and track.stamp < until:
        slot = number & (HISTORY - 1)
        stop = min(until, s.history_stop[slot])
        if stop > track.stamp:
            propagate_mean(p, s, track, slot, stop)
        if s.history_stop[slot] <= until:
            number += 1
        else:
            break
    return number
