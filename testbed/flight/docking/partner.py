"""How the partner moves, from its odometry as the radio brings it: late, with gaps, and wrong for a while the same way.

Position and velocity along each fixed axis, and angle and rate about each, are filtered on their own: of constant
velocity, and spinning free of torque with the believed inertia, but for a random acceleration that stands for its
pulses. An odometry's error lasts, as it is an estimator's; so all that comes within that time counts as one measurement
together, and the claims kept here never fall below what one odometry says of itself divided by the time it is smoothed.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.rotation import Tuple3

PARTNER: Final = np.dtype(
    [
        ("centre_of_mass", "f8", (3,)),
        ("inertia", "f8", (3, 3)),
        ("inverse_inertia", "f8", (3, 3)),
        ("active", "i8", (6,)),
        ("wander", "f8"),
        ("turning_wander", "f8"),
        ("lasting", "f8"),
        ("velocity_doubt", "f8"),
    ],
    align=True,
)
"""The partner as it is believed to be. wander m²/s³ and turning_wander rad²/s³: of its random acceleration; lasting s:
for how long the error of an odometry stays the same; velocity_doubt m/s: of its velocity, beyond what it claims."""

TRACKED: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("position", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("velocity", "f8", (3,)),
        ("rate", "f8", (3,)),
        ("linear", "f8", (3, 2, 2)),
        ("angular", "f8", (3, 2, 2)),
    ],
    align=True,
)
"""Motion of the partner's centre of mass in the fixed frame, rate along its own axes, at `stamp` ns (0: not known).

linear, angular: covariances of position and velocity along, angle and rate about each fixed axis."""

LONGEST_STEP: Final = 0.5
"""Time over which a spin is carried on in one step, s."""
LONGEST_GAP: Final = 5.0
"""After such a silence, s, the partner is looked at anew."""
LEAST_VARIANCE: Final = 1e-10


@njit(cache=True)
def hear(p: Any, t: Any, odometry: Any) -> bool:
    """Take in the newest odometry of the partner, if it is new and sure; whether it was taken."""
    if odometry.stamp <= t.stamp or not odometry.pose_covariance[0, 0] < 0.5 * UNKNOWN_VARIANCE:
        return False
    since = (odometry.stamp - t.stamp) / NS_PER_S
    if t.stamp == 0 or since > LONGEST_GAP:
        begin(p, t, odometry)
        return True
    carry_on(p, t, since)
    spread(p, t, since)
    t.stamp = odometry.stamp
    correct(p, t, odometry, max(p.lasting / since, 1.0))
    return True


@njit(cache=True)
def begin(p: Any, t: Any, odometry: Any) -> None:
    """Start with what one odometry says."""
    t.stamp = odometry.stamp
    place, speed = centre(p, odometry)
    variances = seen_variances(p, odometry)
    for k in range(3):
        t.position[k], t.velocity[k] = place[k], p.active[k] * speed[k]
        t.rate[k] = p.active[3 + k] * odometry.angular_velocity[k]
        t.linear[k], t.angular[k] = 0.0, 0.0
        t.linear[k, 0, 0], t.linear[k, 1, 1] = variances[0], variances[1]
        t.angular[k, 0, 0], t.angular[k, 1, 1] = variances[2], variances[3]
    q = t.orientation
    q[0], q[1], q[2], q[3] = rotation.normalise(odometry.orientation)


@njit(cache=True)
def centre(p: Any, odometry: Any) -> tuple[Tuple3, Tuple3]:
    """Position and velocity of the centre of mass in the fixed frame, as an odometry has them."""
    q, v, c = odometry.orientation, odometry.linear_velocity, p.centre_of_mass
    arm, swing = rotation.rotate(q, c), rotation.cross(odometry.angular_velocity, c)
    x = odometry.position
    return (x[0] + arm[0], x[1] + arm[1], x[2] + arm[2]), rotation.rotate(
        q, (v[0] + swing[0], v[1] + swing[1], v[2] + swing[2])
    )


@njit(cache=True)
def seen_variances(p: Any, odometry: Any) -> tuple[float, float, float, float]:
    """Largest variances of position, velocity, angle and rate that an odometry claims along or about a free axis."""
    position, velocity, angle, rate = LEAST_VARIANCE, LEAST_VARIANCE, LEAST_VARIANCE, LEAST_VARIANCE
    for k in range(3):
        if p.active[k]:
            position = max(position, odometry.pose_covariance[k, k])
            velocity = max(velocity, odometry.twist_covariance[k, k])
        if p.active[3 + k]:
            angle = max(angle, odometry.pose_covariance[3 + k, 3 + k])
            rate = max(rate, odometry.twist_covariance[3 + k, 3 + k])
    return position, velocity, angle, rate


@njit(cache=True)
def spread(p: Any, t: Any, time: float) -> None:
    """Let the covariances grow over `time` s: white acceleration on top of constant velocity (textbook)."""
    for k in range(3):
        for wander, c in ((p.wander, t.linear[k]), (p.turning_wander, t.angular[k])):
            c[0, 0] += 2.0 * time * c[0, 1] + time * time * c[1, 1] + wander * time**3 / 3.0
            c[0, 1] += time * c[1, 1] + wander * time**2 / 2.0
            c[1, 0] = c[0, 1]
            c[1, 1] += wander * time


@njit(cache=True)
def correct(p: Any, t: Any, odometry: Any, repeated: float) -> None:
    """Correct by an odometry of the same stamp that counts as one of `repeated` that say the same."""
    place, speed = centre(p, odometry)
    position, velocity, angle, rate = seen_variances(p, odometry)
    turn = rotation.to_rotation_vector(rotation.multiply(odometry.orientation, rotation.conjugate(t.orientation)))
    spin = rotation.rotate(t.orientation, t.rate)
    seen_spin = rotation.rotate(odometry.orientation, odometry.angular_velocity)
    turned, sped = np.zeros(3), np.zeros(3)
    for k in range(3):
        if p.active[k]:
            x, v = gain(
                t.linear[k], place[k] - t.position[k], speed[k] - t.velocity[k], repeated * position,
                repeated * (velocity + p.velocity_doubt**2),
            )  # fmt: skip
            t.position[k] += x
            t.velocity[k] += v
        if p.active[3 + k]:
            turned[k], sped[k] = gain(t.angular[k], turn[k], seen_spin[k] - spin[k], repeated * angle, repeated * rate)
    q = t.orientation
    q[0], q[1], q[2], q[3] = rotation.normalise(rotation.multiply(rotation.from_rotation_vector(turned), q))
    t.rate[:] = rotation.rotate_inverse(q, (spin[0] + sped[0], spin[1] + sped[1], spin[2] + sped[2]))
    for k in range(3):
        t.rate[k] *= p.active[3 + k]


@njit(cache=True)
def gain(c: Any, first: float, second: float, noise: float, second_noise: float) -> tuple[float, float]:
    """Corrections for two differences seen, with their variances, one after the other; shrinks the covariance `c`."""
    x, v = 0.0, 0.0
    for i, seen, variance in ((0, first, noise), (1, second, second_noise)):
        before = x if i == 0 else v
        total = c[i, i] + variance
        a, b = c[0, i] / total, c[1, i] / total
        x += a * (seen - before)
        v += b * (seen - before)
        row0, row1 = c[i, 0], c[i, 1]
        c[0, 0] -= a * row0
        c[0, 1] -= a * row1
        c[1, 1] -= b * row1
        c[1, 0] = c[0, 1]
    return x, v


@njit(cache=True)
def carry_on(p: Any, m: Any, time: float) -> None:
    """Carry a motion (position, orientation, velocity, rate) on by `time` s, without torque (Euler's equations)."""
    for k in range(3):
        m.position[k] += time * m.velocity[k]
    steps = max(math.ceil(abs(time) / LONGEST_STEP), 1)
    step, q = time / steps, m.orientation
    for _ in range(steps):
        half = turning(p, m.rate, m.rate, 0.5 * step)
        a, b, c = half
        q[0], q[1], q[2], q[3] = rotation.integrate(q, (a * step, b * step, c * step))
        m.rate[:] = turning(p, m.rate, half, step)


@njit(cache=True)
def turning(p: Any, rate: Any, at: Any, time: float) -> Tuple3:
    """The rate after `time` s of what Euler's equations say at the rate `at`."""
    slope = rotation.times(p.inverse_inertia, rotation.cross(rotation.times(p.inertia, at), at))
    return (
        rate[0] + p.active[3] * slope[0] * time,
        rate[1] + p.active[4] * slope[1] * time,
        rate[2] + p.active[5] * slope[2] * time,
    )


@njit(cache=True)
def foresee(p: Any, t: Any, time: float, motion: Any) -> None:
    """Fill `motion` with the partner's centre of mass `time` s after the stamp."""
    for k in range(3):
        motion.position[k], motion.velocity[k], motion.rate[k] = t.position[k], t.velocity[k], t.rate[k]
    for k in range(4):
        motion.orientation[k] = t.orientation[k]
    carry_on(p, motion, time)
