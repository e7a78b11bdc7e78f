"""A trajectory joined from another motion: what they differ by at that moment fades out along a cubic Hermite curve.

So neither position nor velocity of the reference jumps, wherever a new trajectory begins. The fade lasts as long as a
share of speed and authority needs for it.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.messages import NS_PER_S
from testbed.description.rotation import Vector3
from testbed.flight.guidance import trajectory
from testbed.flight.guidance.leg import LEAST_ACCELERATION
from testbed.flight.guidance.trajectory import KNOTS

JOINED: Final = np.dtype(
    [
        ("knots", KNOTS),
        ("joined", "i8"),
        ("begin", "f8"),
        ("fade", "f8"),
        ("offset", "f8", (6,)),
        ("slope", "f8", (6,)),
    ],
    align=True,
)
"""Knots, whether they are joined, when (s after their stamp), how long the difference takes to fade, s, and the
difference then with its slope: position in the fixed frame, rotation vector from the trajectory's attitude on."""

FADE_SHARE: Final = 0.5
"""Share of speed limits, and of the authority that profiles may use, that the fade takes."""
SHORTEST_FADE: Final = 1.0
"""Least time that a difference takes to fade, s."""


@njit(cache=True)
def time_in(one: Any, stamp: int) -> float:
    """Time in s of a trajectory at `stamp` ns."""
    return (stamp - one.knots.stamp) / NS_PER_S


@njit(cache=True)
def end(knots: Any) -> float:
    """Stamp of the last knot, ns."""
    return knots.stamp + knots.time[knots.count - 1] * NS_PER_S


@njit(cache=True)
def read_motion(p: Any, odometry: Any, motion: Any) -> None:
    """Fill `motion` as the estimate has it, at rest along the axes that are held."""
    velocity = rotation.rotate(odometry.orientation, odometry.linear_velocity)
    for k in range(3):
        motion.position[k] = odometry.position[k]
        motion.velocity[k] = velocity[k] * p.active[k]
        motion.rate[k] = odometry.angular_velocity[k] * p.active[3 + k]
    for k in range(4):
        motion.orientation[k] = odometry.orientation[k]


@njit(cache=True)
def join(p: Any, s: Any, one: Any, stamp: int, odometry: Any) -> None:
    """Join a trajectory at `stamp` ns from the motion in `s.pulse_start`; `s.pulse_end` is working memory."""
    before, after = s.pulse_start, s.pulse_end
    trajectory.hold_axes(p, one.knots, odometry)
    one.begin = time_in(one, stamp)
    trajectory.follow(one.knots, one.begin, after)
    turn = rotation.multiply(rotation.conjugate(after.orientation), before.orientation)
    vector = rotation.to_rotation_vector(turn)
    carried = rotation.rotate_inverse(turn, after.rate)
    own = before.rate[0] - carried[0], before.rate[1] - carried[1], before.rate[2] - carried[2]
    slope = rotation.slope_of(vector, own)
    for k in range(3):
        one.offset[k], one.offset[3 + k] = before.position[k] - after.position[k], vector[k]
        one.slope[k], one.slope[3 + k] = before.velocity[k] - after.velocity[k], slope[k]
    one.fade = fade_time(p, s, one)
    one.joined = 1


@njit(cache=True)
def fade_time(p: Any, s: Any, one: Any) -> float:
    """Time s that the difference needs, within the shares of speed limits and authority.

    A cubic from d with slope w to rest in T takes at most (6 d + 4 w T) / T² of acceleration, and 1.5 d / T of speed
    where w is zero. The accelerations of all axes add up as shares of what each can give alone.
    """
    linear = least_acceleration(p, 0, p.mass, p.mass, p.mass)
    angular = least_acceleration(p, 3, p.inertia[0, 0], p.inertia[1, 1], p.inertia[2, 2])
    offset, turn = size(one.offset[:3]), size(one.offset[3:])
    way = offset / linear + turn / angular
    change = size(one.slope[:3]) / linear + size(one.slope[3:]) / angular
    share = FADE_SHARE * p.share
    by_force = (2.0 * change + math.sqrt(4.0 * change**2 + 6.0 * share * way)) / share
    m = s.maneuver
    by_speed = 1.5 * offset / (FADE_SHARE * min(m.speed_limit, p.speed_limit))
    by_rate = 1.5 * turn / (FADE_SHARE * min(m.rate_limit, p.rate_limit))
    return max(SHORTEST_FADE, by_force, by_speed, by_rate)


@njit(cache=True)
def least_acceleration(p: Any, first: int, x: float, y: float, z: float) -> float:
    """Least of what the free axes from `first` on can be accelerated with, masses or inertias of these."""
    least = math.inf
    for k, inertia in enumerate((x, y, z)):
        if p.active[first + k]:
            least = min(least, p.authority[first + k] / inertia)
    return max(least, LEAST_ACCELERATION)


@njit(cache=True)
def size(vector: Vector3) -> float:
    """Length of a vector."""
    return math.sqrt(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)


@njit(cache=True)
def follow(one: Any, time: float, motion: Any) -> None:
    """Fill `motion` with the trajectory at `time` s after its stamp, and what is left of the difference."""
    trajectory.follow(one.knots, time, motion)
    u = max((time - one.begin) / one.fade, 0.0)
    if u >= 1.0:
        return
    for k in range(3):
        motion.position[k] += left(one, k, u)
        motion.velocity[k] += changing(one, k, u)
    vector = left(one, 3, u), left(one, 4, u), left(one, 5, u)
    slope = changing(one, 3, u), changing(one, 4, u), changing(one, 5, u)
    turn, rate, q = rotation.from_rotation_vector(vector), motion.rate, motion.orientation
    q[0], q[1], q[2], q[3] = rotation.normalise(rotation.multiply(q, turn))
    x, y, z = rotation.rate_of(vector, slope)
    carried = rotation.rotate_inverse(turn, rate)
    rate[0], rate[1], rate[2] = carried[0] + x, carried[1] + y, carried[2] + z


@njit(cache=True)
def left(one: Any, k: int, u: float) -> float:
    """What is left of the difference along or about axis k, m or rad, at the part u of the fade."""
    return one.offset[k] + trajectory.rise(u, -one.offset[k], one.slope[k] * one.fade, 0.0)


@njit(cache=True)
def changing(one: Any, k: int, u: float) -> float:
    """How it changes, m/s or rad/s."""
    return trajectory.steepness(u, -one.offset[k], one.slope[k] * one.fade, 0.0) / one.fade
