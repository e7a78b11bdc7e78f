"""A planned trajectory: knots with pose and twist, joined by cubic Hermite curves, the last twist kept from there on.

Between two knots the attitude turns by a rotation vector that starts at zero and follows a cubic, too; its slopes at
both ends are those that give the knots' rates, so that the rate is continuous.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.messages import MAX_KNOTS, NS_PER_S

KNOTS: Final = np.dtype(
    [
        ("number", "i8"),
        ("stamp", "i8"),
        ("count", "i8"),
        ("time", "f8", (MAX_KNOTS,)),
        ("position", "f8", (MAX_KNOTS, 3)),
        ("orientation", "f8", (MAX_KNOTS, 4)),
        ("velocity", "f8", (MAX_KNOTS, 3)),
        ("rate", "f8", (MAX_KNOTS, 3)),
    ],
    align=True,
)
"""A messages.TRAJECTORY to go by: times s after `stamp` ns, orientations of unit length."""

UNIT_WITHIN: Final = 1e-3
"""A quaternion whose length differs more from one is refused."""
STILL: Final = 1e-6
"""A last knot slower than this, m/s and rad/s, is at rest."""


@njit(cache=True)
def sound(message: Any) -> bool:
    """Whether a messages.TRAJECTORY can be followed: room, times that grow, finite numbers, orientations."""
    if not 1 <= message.count <= MAX_KNOTS or message.stamp + message.offset[0] <= 0:
        return False
    for k in range(message.count):
        if k > 0 and message.offset[k] <= message.offset[k - 1]:
            return False
        length, sum_of_all = 0.0, 0.0
        for i in range(4):
            length += message.orientation[k, i] ** 2
        for i in range(3):
            sum_of_all += abs(message.position[k, i]) + abs(message.velocity[k, i]) + abs(message.rate[k, i])
        if not (abs(math.sqrt(length) - 1.0) <= UNIT_WITHIN and math.isfinite(sum_of_all)):
            return False
    return True


@njit(cache=True)
def take(message: Any, knots: Any) -> None:
    """Fill `knots` from a sound messages.TRAJECTORY."""
    knots.number, knots.stamp, knots.count = message.number, message.stamp, message.count
    for k in range(message.count):
        knots.time[k] = message.offset[k] / NS_PER_S
        q = knots.orientation[k]
        q[0], q[1], q[2], q[3] = rotation.normalise(message.orientation[k])
        for i in range(3):
            knots.position[k, i], knots.velocity[k, i] = message.position[k, i], message.velocity[k, i]
            knots.rate[k, i] = message.rate[k, i]


@njit(cache=True)
def hold_axes(p: Any, knots: Any, odometry: Any) -> None:
    """Leave the axes that are held where `odometry` has them."""
    present = odometry.orientation
    for k in range(knots.count):
        turn = rotation.multiply(rotation.conjugate(present), knots.orientation[k])
        # Without the axes that are held, what is left is the turn about the free ones (exact for yaw alone).
        x, y, z = turn[0] * p.active[3], turn[1] * p.active[4], turn[2] * p.active[5]
        q = knots.orientation[k]
        if x * x + y * y + z * z + turn[3] * turn[3] > 1e-12:
            q[0], q[1], q[2], q[3] = rotation.multiply(present, rotation.normalise((x, y, z, turn[3])))
        x, y, z = rotation.rotate_inverse(q, knots.rate[k])
        free = x * p.active[3], y * p.active[4], z * p.active[5]
        knots.rate[k, 0], knots.rate[k, 1], knots.rate[k, 2] = rotation.rotate(q, free)
        for i in range(3):
            knots.velocity[k, i] *= p.active[i]
            if not p.active[i]:
                knots.position[k, i] = odometry.position[i]


@njit(cache=True)
def follow(knots: Any, time: float, motion: Any) -> None:
    """Fill `motion` with pose and twist at `time` s after the stamp; before the first knot it is as there."""
    last = knots.count - 1
    if time >= knots.time[last]:
        go_on(knots, time - knots.time[last], motion)
        return
    k = 0
    while knots.time[k + 1] <= time:
        k += 1
    interval = knots.time[k + 1] - knots.time[k]
    u = max((time - knots.time[k]) / interval, 0.0)
    for i in range(3):
        a, b = knots.position[k, i], knots.position[k + 1, i]
        da, db = knots.velocity[k, i] * interval, knots.velocity[k + 1, i] * interval
        motion.position[i] = a + rise(u, b - a, da, db)
        motion.velocity[i] = steepness(u, b - a, da, db) / interval
    turn_between(knots, k, u, interval, motion)


@njit(cache=True)
def turn_between(knots: Any, k: int, u: float, interval: float, motion: Any) -> None:
    """Fill orientation and rate of `motion` at the part `u` of the interval, s, after knot k."""
    first, q = knots.orientation[k], motion.orientation
    whole = rotation.to_rotation_vector(rotation.multiply(rotation.conjugate(first), knots.orientation[k + 1]))
    a = rotation.rotate_inverse(first, knots.rate[k])
    b = rotation.slope_of(whole, rotation.rotate_inverse(knots.orientation[k + 1], knots.rate[k + 1]))
    x, y, z = (
        rise(u, whole[0], a[0] * interval, b[0] * interval),
        rise(u, whole[1], a[1] * interval, b[1] * interval),
        rise(u, whole[2], a[2] * interval, b[2] * interval),
    )
    slope = (
        steepness(u, whole[0], a[0] * interval, b[0] * interval) / interval,
        steepness(u, whole[1], a[1] * interval, b[1] * interval) / interval,
        steepness(u, whole[2], a[2] * interval, b[2] * interval) / interval,
    )
    q[0], q[1], q[2], q[3] = rotation.integrate(first, (x, y, z))
    motion.rate[0], motion.rate[1], motion.rate[2] = rotation.rate_of((x, y, z), slope)


@njit(cache=True)
def go_on(knots: Any, time: float, motion: Any) -> None:
    """Fill `motion` with pose and twist `time` s after the last knot: at rest, or on with its twist."""
    last = knots.count - 1
    rate = rotation.rotate_inverse(knots.orientation[last], knots.rate[last])
    for i in range(3):
        motion.velocity[i], motion.rate[i] = knots.velocity[last, i], rate[i]
        motion.position[i] = knots.position[last, i] + time * motion.velocity[i]
    turn = time * motion.rate[0], time * motion.rate[1], time * motion.rate[2]
    q = motion.orientation
    q[0], q[1], q[2], q[3] = rotation.integrate(knots.orientation[last], turn)


@njit(cache=True)
def goes_on(knots: Any) -> bool:
    """Whether the last knot is passed with a velocity or a rate."""
    fastest = 0.0
    for i in range(3):
        fastest = max(fastest, abs(knots.velocity[knots.count - 1, i]), abs(knots.rate[knots.count - 1, i]))
    return fastest > STILL


@njit(cache=True)
def rise(u: float, whole: float, before: float, after: float) -> float:
    """Cubic Hermite curve from 0 to `whole` at u from 0 to 1, with these slopes (per u) at its ends."""
    return whole * u * u * (3.0 - 2.0 * u) + u * (1.0 - u) * (before * (1.0 - u) - after * u)


@njit(cache=True)
def steepness(u: float, whole: float, before: float, after: float) -> float:
    """Slope (per u) of that curve."""
    return 6.0 * whole * u * (1.0 - u) + before * (1.0 - u) * (1.0 - 3.0 * u) + after * u * (3.0 * u - 2.0)
