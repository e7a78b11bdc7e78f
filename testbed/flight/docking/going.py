"""Round the partner, outside: to the waiting distance, facing it, and towards where its port comes round.

The reference is moved on from step to step: towards a wanted velocity with a bounded acceleration.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.rotation import Vector3
from testbed.flight.docking.ports import unit
from testbed.flight.guard.outlook import length
from testbed.flight.guidance.feedback import shorten

SPEED: Final = 0.045
"""Of the reference, m/s: at which the safety filter leaves alone who keeps the waiting distance."""
ACCELERATION_SHARE: Final = 0.3
"""Of what the valves give along the weakest free axis, for the reference."""
APPROACH_RATE: Final = 0.25
"""Speed per distance from where to go, 1/s."""
TURN_RATE: Final = 0.08
TURNING: Final = 0.02
"""Of the reference, rad/s and rad/s²."""
CHASED: Final = 0.02
"""A port that moves faster at the waiting distance is waited for once it is near, m/s."""
STANDING: Final = 30.0
"""Time before it comes round from which on it is waited for, s."""
STILL: Final = 2e-3
"""A partner that turns its port more slowly stands still, rad/s."""


@njit(cache=True)
def start(s: Any) -> None:
    """Begin from the motion `own`."""
    s.going = s.own
    s.acceleration[:] = 0.0
    s.turning[:] = 0.0


@njit(cache=True)
def move_on(p: Any, s: Any, time: float) -> None:
    """Move `going` on by `time` s."""
    least = math.inf
    for k in range(3):
        if p.active[k]:
            least = min(least, p.authority[k])
    most = ACCELERATION_SHARE * least / p.mass
    wanted = wanted_velocity(p, s)
    for k in range(3):
        s.acceleration[k] = p.active[k] * (wanted[k] - s.going.velocity[k]) / max(time, 1e-3)
    shorten(s.acceleration, most)
    turn_to_face(p, s, time)
    ahead(s, time, s.going)


@njit(cache=True)
def wanted_velocity(p: Any, s: Any) -> Any:
    """To the waiting distance, and round the partner to where its port is or comes round to."""
    away, wanted = np.zeros(3), np.zeros(3)
    for k in range(3):
        away[k] = p.active[k] * (s.going.position[k] - s.partner.position[k])
    far, out = length(away), unit(away)
    radial = min(max(APPROACH_RATE * (p.waiting_distance - far), -SPEED), SPEED)
    if far > p.waiting_distance - 0.1:
        aside(p, s, out, wanted)
    for k in range(3):
        wanted[k] += s.partner.velocity[k] + radial * out[k]
    shorten(wanted, p.speed)
    return wanted


@njit(cache=True)
def aside(p: Any, s: Any, out: Vector3, velocity: Any) -> None:
    """Fill `velocity` across `out`, the direction from the partner: with or against its turning, whichever is sooner.

    Who would meet the port within a while anyway stands, as the way in begins at rest.
    """
    axis = rotation.rotate(s.partner.orientation, s.axis)
    spin = rotation.rotate(s.partner.orientation, s.partner.rate)
    swept = rotation.cross(spin, axis)
    turn, own = length(swept), SPEED / p.waiting_distance
    if turn < STILL:
        across(axis, out, velocity, p.waiting_distance)
        return
    side, normal = unit(swept), unit(rotation.cross(axis, swept))
    lead = math.atan2(dot(out, side), dot(out, axis))
    if lead < 0.0:
        lead += 2.0 * math.pi
    against, along = lead / (own + turn), math.inf
    if own > turn:
        along = (2.0 * math.pi - lead) / (own - turn)
    sense = -1.0 if against <= along else 1.0
    if turn * p.waiting_distance > CHASED and lead < STANDING * turn:
        sense = 0.0
    way = min(lead, 2.0 * math.pi - lead)
    speed = min(SPEED, APPROACH_RATE * way * p.waiting_distance)
    round_it = unit(rotation.cross(normal, out))
    level = -APPROACH_RATE * p.waiting_distance * dot(out, normal)
    for k in range(3):
        velocity[k] = sense * speed * round_it[k] + min(max(level, -SPEED), SPEED) * normal[k]
    inward = dot(velocity, out)
    for k in range(3):
        velocity[k] -= inward * out[k]
    shorten(velocity, SPEED)


@njit(cache=True)
def across(axis: Vector3, out: Vector3, velocity: Any, distance: float) -> None:
    """Fill `velocity` along the great circle from `out` to `axis`."""
    cosine = dot(axis, out)
    for k in range(3):
        velocity[k] = axis[k] - cosine * out[k]
    sine = length(velocity)
    angle = math.atan2(sine, cosine)
    if sine < 1e-3:  # right behind: to any side
        side = rotation.cross((0.0, 0.0, 1.0) if abs(out[2]) < 0.7 else (1.0, 0.0, 0.0), out)
        velocity[0], velocity[1], velocity[2] = side
    speed = min(SPEED, APPROACH_RATE * angle * distance) / max(length(velocity), 1e-9)
    for k in range(3):
        velocity[k] *= speed


@njit(cache=True)
def dot(a: Vector3, b: Vector3) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


@njit(cache=True)
def turn_to_face(p: Any, s: Any, time: float) -> None:
    """Fill `turning` with an angular acceleration that brings the port to face the partner."""
    away = np.zeros(3)
    for k in range(3):
        away[k] = p.active[k] * (s.partner.position[k] - s.going.position[k])
    towards = rotation.rotate_inverse(s.going.orientation, unit(away))
    port = p.port[s.own_port].direction
    c = rotation.cross(port, towards)
    sine, cosine = length(c), dot(port, towards)
    angle, about = math.atan2(sine, cosine), unit(c)
    if sine < 1e-6:
        about = (0.0, 0.0, 1.0)
    rate = min(TURN_RATE, math.sqrt(TURNING * angle), 0.5 * angle)
    for k in range(3):
        change = p.active[3 + k] * (rate * about[k] - s.going.rate[k]) / max(time, 1e-3)
        s.turning[k] = min(max(change, -TURNING), TURNING)


@njit(cache=True)
def ahead(s: Any, time: float, motion: Any) -> None:
    """Fill `motion` with `going` carried on by `time` s; they may be the same."""
    g = s.going
    mean = (
        (g.rate[0] + 0.5 * time * s.turning[0]) * time,
        (g.rate[1] + 0.5 * time * s.turning[1]) * time,
        (g.rate[2] + 0.5 * time * s.turning[2]) * time,
    )
    q = motion.orientation
    q[0], q[1], q[2], q[3] = rotation.integrate(g.orientation, mean)
    for k in range(3):
        motion.position[k] = g.position[k] + time * (g.velocity[k] + 0.5 * time * s.acceleration[k])
        motion.velocity[k] = g.velocity[k] + time * s.acceleration[k]
        motion.rate[k] = g.rate[k] + time * s.turning[k]
