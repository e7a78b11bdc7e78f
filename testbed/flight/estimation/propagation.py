"""How the estimate moves on between measurements: the mean sample by sample, the covariance in longer steps.

With the attitude error about the fixed axes, the transition over many gyro samples needs only two integrals of what the
mean went through: of the rotation matrix and of the acceleration by the valves. So the mean takes every sample and the
covariance one sparse step per chirp or output (error-state equations: Solà, "Quaternion kinematics for the error-state
Kalman filter", arXiv:1711.02508, section 7, "global angular errors").
"""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.rotation import from_rotation_vector, multiply, normalise, to_matrix
from testbed.flight.estimation.layout import ATTITUDE, BIAS, DISTURBANCE, HISTORY, MOTION_ERRORS, POSITION, VELOCITY

SCALE_ERROR_TIME = 2.0
"""How long the gyro's scale error acts before ranges correct it, s: it counts as noise of this correlation time."""


@njit(cache=True)
def copy_track(p: Any, source: Any, target: Any) -> None:
    """Copy mean and covariance; the covariance of `source` must be up to date."""
    target.stamp = source.stamp
    for i in range(3):
        target.position[i] = source.position[i]
        target.velocity[i] = source.velocity[i]
        target.gyro_bias[i] = source.gyro_bias[i]
        target.disturbance[i] = source.disturbance[i]
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
    track.velocity_noise = 0.0
    track.attitude_noise = 0.0
    for i in range(3):
        track.push_integral[i] = 0.0
        for j in range(3):
            track.rotation_integral[i, j] = 0.0


@njit(cache=True)
def propagate_mean(p: Any, s: Any, track: Any, slot: int, until: int) -> None:
    """Carry the mean to `until` (ns) within the gyro interval kept at `slot`, and gather what the covariance needs.

    Constant rate and body-fixed push over the interval; rotation exact, push turned by the orientation at half time.
    """
    dt = (until - track.stamp) * 1e-9
    track.stamp = until
    rate = s.history_rate[slot]
    bias = track.gyro_bias
    wx, wy, wz = rate[0] - bias[0], rate[1] - bias[1], rate[2] - bias[2]
    half_turn = from_rotation_vector((0.5 * dt * wx, 0.5 * dt * wy, 0.5 * dt * wz))
    middle = normalise(multiply(track.orientation, half_turn))
    track.orientation[:] = multiply(middle, half_turn)
    to_matrix(middle, track.rotation)
    push = s.history_push[slot]
    for i in range(3):
        turned = track.rotation[i, 0] * push[0] + track.rotation[i, 1] * push[1] + track.rotation[i, 2] * push[2]
        acceleration = p.free[i] * (turned + track.disturbance[i])
        track.position[i] += dt * (track.velocity[i] + 0.5 * dt * acceleration)
        track.velocity[i] += dt * acceleration
        track.push_integral[i] += dt * p.free[i] * turned
        for j in range(3):
            track.rotation_integral[i, j] += dt * track.rotation[i, j]
    track.elapsed += dt
    track.velocity_noise += dt * s.history_noise[slot]
    scale = p.gyro_scale_error
    turning = 2.0 * SCALE_ERROR_TIME * scale * scale * (wx * wx + wy * wy + wz * wz)
    track.attitude_noise += dt * (p.gyro_density * p.gyro_density + turning)


@njit(cache=True)
def propagate_covariance(p: Any, track: Any) -> None:
    """Bring the covariance to the time of the mean: P = F·P·Fᵀ + Q with the sparse F written out; P stays symmetric."""
    dt = track.elapsed
    if dt <= 0.0:
        return
    P, n = track.covariance, p.errors
    _transform_rows(P, n, dt, track.rotation_integral, track.push_integral)
    _transform_columns(P, dt, track.rotation_integral, track.push_integral)
    for i in range(1, n):
        for j in range(min(i, MOTION_ERRORS)):
            P[i, j] = P[j, i]
    for k in range(3):
        if p.free[k] > 0.0:
            P[VELOCITY + k, VELOCITY + k] += track.velocity_noise
            P[POSITION + k, POSITION + k] += track.velocity_noise * dt * dt / 3.0
            P[POSITION + k, VELOCITY + k] += track.velocity_noise * dt / 2.0
            P[VELOCITY + k, POSITION + k] += track.velocity_noise * dt / 2.0
            P[DISTURBANCE + k, DISTURBANCE + k] += dt * p.disturbance_walk
            P[DISTURBANCE + k, VELOCITY + k] += 0.5 * dt * dt * p.disturbance_walk
            P[VELOCITY + k, DISTURBANCE + k] += 0.5 * dt * dt * p.disturbance_walk
        P[ATTITUDE + k, ATTITUDE + k] += track.attitude_noise
        P[BIAS + k, BIAS + k] += dt * p.bias_walk
    clear_pending(track)


@njit(cache=True)
def _transform_rows(P: Any, n: int, dt: float, R: Any, push: Any) -> None:
    """P ← F·P: position by velocity and disturbance, velocity by attitude and disturbance, attitude by bias.

    Each block is changed before those that it reads.
    """
    half = 0.5 * dt * dt
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


@njit(cache=True)
def _transform_columns(P: Any, dt: float, R: Any, push: Any) -> None:
    """P ← P·Fᵀ in the rows of the motion; the rows of the constants are their mirror image."""
    half = 0.5 * dt * dt
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
