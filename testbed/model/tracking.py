"""Overhead tracking: what the topic `truth` says of a vehicle.

Without errors it is the motion itself. A real tracker measures a pose per frame, a moment before the stamp it gives it,
and forms velocities from poses some frames apart; where it loses a vehicle it carries the last pose on. Poses on the
table are measured in the plane: height and level are known.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.stats import norm

from testbed.description.messages import NS_PER_S, PERIOD_NS, UNKNOWN_VARIANCE
from testbed.description.noise import TrackingNoise
from testbed.description.rotation import (
    Quaternion,
    Vector3,
    conjugate,
    from_rotation_vector,
    multiply,
    normalise,
    rotate,
    rotate_inverse,
    to_rotation_vector,
)
from testbed.model.records import MAX_FRAMES

FRAME: Final = PERIOD_NS["truth"] / NS_PER_S
"""Time between two frames, s."""
_NEVER: Final = -1e9
"""A normal is never below it."""


def set_tracking(world: np.void, tracking: TrackingNoise | None) -> None:
    """Fill the parameters of one records.WORLD."""
    world["tracking"] = tracking is not None
    if tracking is None:
        return
    world["tracking_position"] = tracking.position
    world["tracking_angle"] = math.radians(tracking.angle_deg)
    world["tracking_lost_below"] = max(_NEVER, float(norm.ppf(tracking.dropout)))
    world["tracking_latency"] = tracking.latency
    world["tracking_frames"] = round(tracking.velocity_time / FRAME)


@njit(cache=True)
def read_motion(state: Any, stamp: int, odometry: Any) -> None:
    """Fill `odometry` (messages.ODOMETRY) with the motion as it is; covariances zero."""
    odometry.stamp = stamp
    for i in range(3):
        odometry.position[i] = state.position[i]
        odometry.linear_velocity[i] = state.linear_velocity[i]
        odometry.angular_velocity[i] = state.rate[i]
    for i in range(4):
        odometry.orientation[i] = state.orientation[i]
    for i in range(6):
        for j in range(6):
            odometry.pose_covariance[i, j] = 0.0
            odometry.twist_covariance[i, j] = 0.0


@njit(cache=True)
def sense_truth(world: Any, state: Any, stamp: int, noise: NDArray[np.float64], odometry: Any) -> None:
    """Fill `odometry` (messages.ODOMETRY) with the frame of `stamp` (ns).

    noise: 7 standard normals: position, rotation about fixed axes, whether the vehicle is lost.
    """
    read_motion(state, stamp, odometry)
    lost = state.tracking_lost != 0 or (world.tracking != 0 and noise[6] < world.tracking_lost_below)
    lost = lost and state.frame_count > 0
    if lost:
        carry_on(state, odometry)
    else:
        state.frames_lost = 0
        if world.tracking:
            measure(world, state, noise, odometry)
    newest = state.frame_count % MAX_FRAMES
    state.frame_position[newest], state.frame_orientation[newest] = odometry.position, odometry.orientation
    if world.tracking_frames > 0:
        difference(world, state, odometry)
    elif lost:
        tell_velocities(state, odometry)
    else:
        state.frame_velocity[:] = rotate(state.orientation, state.linear_velocity)
        state.frame_rate[:] = state.rate
    state.frame_count += 1
    if world.tracking:
        fill_covariances(world, state, odometry)
    elif lost:
        for i in range(6):
            odometry.pose_covariance[i, i] = odometry.twist_covariance[i, i] = UNKNOWN_VARIANCE


@njit(cache=True)
def measure(world: Any, state: Any, noise: NDArray[np.float64], odometry: Any) -> None:
    """Put the pose at the exposure, with its noise, in place of the pose."""
    q, late = state.orientation, world.tracking_latency
    velocity = rotate(q, state.linear_velocity)
    back = from_rotation_vector((-late * state.rate[0], -late * state.rate[1], -late * state.rate[2]))
    size, angle = world.tracking_position, world.tracking_angle
    level = 0.0 if world.on_table else 1.0
    turn = from_rotation_vector((level * angle * noise[3], level * angle * noise[4], angle * noise[5]))
    seen = normalise(multiply(turn, multiply(q, back)))
    for i in range(4):
        odometry.orientation[i] = seen[i]
    for i in range(3):
        error = size * noise[i] if i < 2 else level * size * noise[i]
        odometry.position[i] = state.position[i] - late * velocity[i] + error


@njit(cache=True)
def carry_on(state: Any, odometry: Any) -> None:
    """Carry the pose of the last frame on by the velocities found then."""
    state.frames_lost += 1
    last = (state.frame_count - 1) % MAX_FRAMES
    v, w = state.frame_velocity, state.frame_rate
    turn = from_rotation_vector((FRAME * w[0], FRAME * w[1], FRAME * w[2]))
    q = normalise(multiply(state.frame_orientation[last], turn))
    for i in range(4):
        odometry.orientation[i] = q[i]
    for i in range(3):
        odometry.position[i] = state.frame_position[last, i] + FRAME * v[i]


@njit(cache=True)
def difference(world: Any, state: Any, odometry: Any) -> None:
    """Put in place of the velocities those between this frame and one as many frames earlier as there are."""
    frames = min(world.tracking_frames, state.frame_count)
    if frames > 0:
        newest, old = state.frame_count % MAX_FRAMES, (state.frame_count - frames) % MAX_FRAMES
        share = 1.0 / (frames * FRAME)
        a, b = state.frame_position[old], state.frame_position[newest]
        between(a, b, state.frame_orientation[old], state.frame_orientation[newest], share, state)
    else:
        state.frame_velocity[:] = 0.0
        state.frame_rate[:] = 0.0
    tell_velocities(state, odometry)


@njit(cache=True)
def tell_velocities(state: Any, odometry: Any) -> None:
    """Put in place of the velocities those that the tracker has."""
    linear = rotate_inverse(odometry.orientation, state.frame_velocity)
    for i in range(3):
        odometry.linear_velocity[i] = linear[i]
        odometry.angular_velocity[i] = state.frame_rate[i]


@njit(cache=True)
def between(a: Vector3, b: Vector3, p: Quaternion, q: Quaternion, share: float, state: Any) -> None:
    """Velocity along fixed axes and rate along body axes from pose a, p to pose b, q in the time 1/share."""
    turn = to_rotation_vector(multiply(conjugate(p), q))
    for i in range(3):
        state.frame_velocity[i] = share * (b[i] - a[i])
        state.frame_rate[i] = share * turn[i]


@njit(cache=True)
def fill_covariances(world: Any, state: Any, odometry: Any) -> None:
    """Fill the diagonals with what the noise makes of pose and velocities; larger the longer the vehicle is lost."""
    frames = min(world.tracking_frames, state.frame_count - 1)
    time, age = frames * FRAME, state.frames_lost * FRAME
    for i in range(6):
        sigma = world.tracking_position if i < 3 else world.tracking_angle
        known = 1.0 if world.on_table and 2 <= i < 5 else 0.0
        variance = (1.0 - known) * sigma * sigma
        speed = 0.0
        if world.tracking_frames > 0:
            speed = 2.0 * variance / (time * time) if frames > 0 else (1.0 - known) * UNKNOWN_VARIANCE
        odometry.pose_covariance[i, i] = variance + (speed * age * age if frames > 0 else 0.0)
        odometry.twist_covariance[i, i] = speed
