"""Which ports are to meet, how both vehicles lie then, and how far off they are."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.rotation import Quaternion, Tuple3, Tuple4, Vector3
from testbed.flight.docking import relative as frames
from testbed.flight.guard.outlook import length

OPPOSITE: Final = 1e-3
"""Cosine from -1 within which two directions count as opposite: which way to turn is then free."""


@njit(cache=True)
def choose(p: Any, s: Any) -> None:
    """Choose the pair of ports that takes least turning: the partner's that faces us most, our own that faces it most.

    `own` and `partner` are the motions to go by. Fills own_port, its_port, mated, contact and axis.
    """
    x, y = s.own.position, s.partner.position
    u, v, w = p.active[0] * (x[0] - y[0]), p.active[1] * (x[1] - y[1]), p.active[2] * (x[2] - y[2])
    outward = rotation.rotate_inverse(s.partner.orientation, (u, v, w))
    inward = rotation.rotate_inverse(s.own.orientation, (-u, -v, -w))
    s.its_port = nearest(p.partner_port, p.partner_port_count, outward)
    s.own_port = nearest(p.port, p.port_count, inward)
    own, its = p.port[s.own_port], p.partner_port[s.its_port]
    present = rotation.multiply(rotation.conjugate(s.partner.orientation), s.own.orientation)
    s.mated[:] = facing(present, own.direction, its.direction)
    arm = rotation.rotate(s.mated, own.position)
    for k in range(3):
        s.axis[k] = its.direction[k]
        s.contact[k] = p.active[k] * (its.position[k] - p.partner.centre_of_mass[k] - arm[k])


@njit(cache=True)
def nearest(ports: Any, count: int, direction: Vector3) -> int:
    """Index of the port that faces most along `direction`."""
    best, most = 0, -math.inf
    for k in range(count):
        d = ports[k].direction
        along = d[0] * direction[0] + d[1] * direction[1] + d[2] * direction[2]
        if along > most:
            best, most = k, along
    return best


@njit(cache=True)
def facing(present: Quaternion, own: Vector3, its: Vector3) -> Tuple4:
    """Orientation in the partner's axes in which our port faces its, by the shortest turn from the present one."""
    u, w = rotation.rotate(present, own), (-its[0], -its[1], -its[2])
    cosine = u[0] * w[0] + u[1] * w[1] + u[2] * w[2]
    if cosine < OPPOSITE - 1.0:
        about = (0.0, 0.0, math.pi) if abs(w[2]) < 0.7 else (math.pi, 0.0, 0.0)
        turn = rotation.from_rotation_vector(about)
    else:
        c = rotation.cross(u, w)
        turn = rotation.normalise((c[0], c[1], c[2], 1.0 + cosine))
    return rotation.normalise(rotation.multiply(turn, present))


@njit(cache=True)
def look(p: Any, s: Any) -> None:
    """Fill `seen` and seen_* from the motions `own` and `partner`: what the latch will judge by, as far as is known."""
    frames.separate(s.partner, s.mated, s.own, p.active, s.seen)
    port, its = p.port[s.own_port], p.partner_port[s.its_port]
    turn = rotation.from_rotation_vector(s.seen.turn)
    present = rotation.multiply(s.mated, turn)
    arm = rotation.rotate(present, port.position)
    rate = rotation.rotate(present, s.own.rate)
    spin = s.partner.rate[0], s.partner.rate[1], s.partner.rate[2]
    own = rate[0] - spin[0], rate[1] - spin[1], rate[2] - spin[2]
    swing = rotation.cross(own, arm)
    gap, closing = 0.0, 0.0
    for k in range(3):
        away = s.seen.place[k] + arm[k] - its.position[k] + p.partner.centre_of_mass[k]
        gap += p.active[k] * away * s.axis[k]
        closing -= (s.seen.speed[k] + swing[k]) * s.axis[k]
    lateral, slip = 0.0, 0.0
    for k in range(3):
        away = s.seen.place[k] + arm[k] - its.position[k] + p.partner.centre_of_mass[k]
        lateral += (p.active[k] * away - gap * s.axis[k]) ** 2
        slip += p.active[k] * (s.seen.speed[k] + swing[k] + closing * s.axis[k]) ** 2
    s.seen_gap, s.seen_closing = gap, closing
    s.seen_lateral, s.seen_slip = math.sqrt(lateral), math.sqrt(slip)
    s.seen_rate = length(own)
    u = rotation.rotate(present, port.direction)
    c = rotation.cross(u, s.axis)
    s.seen_angle = math.atan2(length(c), -(u[0] * s.axis[0] + u[1] * s.axis[1] + u[2] * s.axis[2]))


@njit(cache=True)
def unit(v: Vector3) -> Tuple3:
    """The vector scaled to unit length; x if it has none."""
    size = length(v)
    return (v[0] / size, v[1] / size, v[2] / size) if size > 0.0 else (1.0, 0.0, 0.0)
