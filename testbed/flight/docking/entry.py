"""The moment to begin: when there is a way from where the vehicle waits to the standoff that can be flown and may be.

A way is a transfer in the partner's turning axes. From rest outside it begins with the backward speed that these axes
give to who does not turn with them, so it fits only while the port comes round at the right distance: that is the
moment. Checked every second along it: speed and rate, the share of the authority, and that the safety filter lets it
pass, either outside or within the permit.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.flight.docking import partner as tracking
from testbed.flight.docking import permit, transfer
from testbed.flight.docking import relative as frames
from testbed.flight.docking.memory import MOST_SAMPLES
from testbed.flight.guard.outlook import length

SHARE: Final = 0.7
"""Of the authority, that an approach may take."""
SHORTEST: Final = 6
LONGEST: Final = MOST_SAMPLES - 2
"""Of the ways in that are tried, s."""
FREE: Final = 0.12
"""Nearer than one waits outside, at which the filter still leaves alone who passes slowly, m."""
SWING: Final = 0.1
"""Farther out than one waits, or began, a way in does not swing, m: there may be a wall."""
LEAST_GAP: Final = 0.11
MOST_GAP: Final = 0.30
"""Of the ports at the standoff, m."""


@njit(cache=True)
def standoff(p: Any, contact: Any, rate: Any, axis: Any) -> float:
    """Gap of the ports, m, at which to turn with the partner: as far out as speed and authority allow, within reason.

    It is outside the separation required, by a little, whatever the spin: whether that can be flown is for the search.
    """
    docked = length(contact)
    spin = length(rotation.cross(rate, axis))
    farthest = docked + MOST_GAP
    if spin > 0.0:
        least = math.inf
        for k in range(3):
            if p.active[k]:
                least = min(least, p.authority[k])
        coriolis = 2.0 * p.mass * spin * p.approach_speed
        farthest = min(farthest, p.speed / spin, max(SHARE * least - coriolis, 0.0) / (p.mass * spin * spin))
    nearest = max(p.separation + 0.02, docked + LEAST_GAP)
    return max(farthest, nearest) - docked


@njit(cache=True)
def search(p: Any, s: Any, stamp: int) -> bool:
    """Look for the shortest way in from the motion `going` at `stamp` ns; if there is one it is in `transfer`.

    Uses `seen` and `own` as working memory.
    """
    s.standoff = standoff(p, s.contact, s.partner.rate, s.axis)
    frames.separate(s.partner, s.mated, s.going, p.active, s.seen)
    curvature, end = np.zeros(6), np.zeros(6)
    zero = np.zeros(3)
    added = frames.frame_acceleration(s.partner.rate, zero, s.seen.place, s.seen.speed)
    given = rotation.rotate_inverse(s.partner.orientation, s.acceleration)
    for k in range(3):
        curvature[k] = p.active[k] * (given[k] - added[k])
        end[k] = s.contact[k] + s.standoff * s.axis[k]
    fill_ahead(p, s)
    for time in range(SHORTEST, LONGEST + 1, 2):
        transfer.begin(s.trial, stamp, float(time), s.seen, curvature, end)
        if can_be_flown(p, s, time):
            s.transfer = s.trial
            return True
    return False


@njit(cache=True)
def fill_ahead(p: Any, s: Any) -> None:
    """Fill `ahead` with the partner's motion, a second apart from `partner` on."""
    s.ahead[0] = s.partner
    for k in range(1, MOST_SAMPLES):
        s.ahead[k] = s.ahead[k - 1]
        tracking.carry_on(p.partner, s.ahead[k], 1.0)


@njit(cache=True)
def can_be_flown(p: Any, s: Any, time: int) -> bool:
    """Whether the transfer on trial can be flown from end to end, and may be."""
    found = True
    for k in range(1, time + 1):
        if found:
            found = sample(p, s, k)
    return found


@njit(cache=True)
def sample(p: Any, s: Any, k: int) -> bool:
    """Whether the transfer on trial can be flown as it is k seconds after its beginning."""
    partner, one, motion = s.ahead[k], s.trial, s.own
    transfer.follow(one, float(k), s.relative)
    frames.compose(partner, s.mated, s.relative, motion)
    speed, rate = length(motion.velocity), length(motion.rate)
    if speed > p.speed or rate > p.rate or share(p, s, partner, one, k) > SHARE:
        return False
    far = length(s.relative.place)
    if far > max(p.waiting_distance, length(s.seen.place)) + SWING:
        return False
    if far >= p.waiting_distance - FREE:
        return True
    return permit.inside(p, s, partner, s.relative.place, motion.velocity)


@njit(cache=True)
def share(p: Any, s: Any, partner: Any, one: Any, k: int) -> float:
    """Share of the authority that a transfer takes k seconds after its beginning; those of the axes add up.

    `relative` holds the motion then. That lies inside what the valves can give together.
    """
    zero, u = np.zeros(3), k / one.time
    added = frames.frame_acceleration(partner.rate, zero, s.relative.place, s.relative.speed)
    bend, turn = np.zeros(3), np.zeros(3)
    for i in range(3):
        bend[i] = transfer.along(one, i, u)[2] + added[i]
        turn[i] = transfer.along(one, 3 + i, u)[2]
    attitude = rotation.multiply(s.mated, rotation.from_rotation_vector(s.relative.turn))
    return share_of(p, rotation.rotate_inverse(attitude, bend), turn)


@njit(cache=True)
def share_of(p: Any, push: Any, turn: Any) -> float:
    """Share of the authority that accelerations along and about one's own axes take, m/s² and rad/s²."""
    taken = 0.0
    for i in range(3):
        if p.active[i]:
            taken += p.mass * abs(push[i]) / p.authority[i]
        if p.active[3 + i]:
            taken += p.inertia[i] * abs(turn[i]) / p.authority[3 + i]
    return taken
