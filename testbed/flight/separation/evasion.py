"""The way out: away from a partner that may not brake, past the others."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, Final

from numba import njit

from testbed.flight.guard.outlook import length
from testbed.flight.separation import brake, trial

ANGLES: Final = (0.0, 0.7, 1.4)
"""Angles rad off the line of sight that are tried, to every side."""
SIDES: Final = 4


class Way(IntEnum):
    """What a push is worth."""

    NONE = 0
    """It may lead to a partner that brakes."""
    LAWFUL = 1
    """It does not, but leaves no room to evade some other, or leads out of the work area."""
    OUT = 2


@njit(cache=True)
def evade(p: Any, s: Any, layout: Any, program: Any, k: int) -> int:
    """Fill `evade` with a push away from partner k, and tell what it is worth.

    Straight away is best, as it always leaves room to partner k; else what leaves most room to all, if that is more
    than the brake does.
    """
    aim(p, s, k)
    trial.foresee(p, s, s.brake)
    most, found = least_room(p, s, -1), Way.NONE
    for angle in ANGLES:
        for side in range(SIDES if angle > 0.0 else 1):
            if not lean(p, s, angle, side):
                continue
            brake.attain(p, s, layout, program, s.trial)
            trial.foresee(p, s, s.trial)
            worth, room = weigh(p, s, k if angle == 0.0 else -1), least_room(p, s, -1)
            if worth == Way.OUT and angle == 0.0:
                s.evade[:] = s.trial
                return worth
            better = worth > found or (worth == found and room > most)
            if better and worth != Way.NONE and (worth == Way.OUT or room > most):
                most, found = room, worth
                s.evade[:] = s.trial
    return found


@njit(cache=True)
def weigh(p: Any, s: Any, but: int) -> int:
    """What the push on trial is worth; partner `but` is left out of it (-1: none)."""
    if not leads_to_none(p, s, but):
        return Way.NONE
    return Way.OUT if inside(p, s) and least_room(p, s, but) >= 0.0 else Way.LAWFUL


@njit(cache=True)
def aim(p: Any, s: Any, k: int) -> None:
    """Fill `away`: the direction from partner k while the wrench acts; along x if they coincide."""
    for i in range(3):
        s.away[i] = s.ahead.position[i] + 0.5 * p.vehicle.period * s.ahead.velocity[i] - s.others[k].ahead[i]
    size = length(s.away)
    if size == 0.0:
        s.away[0], size = 1.0, 1.0
    for i in range(3):
        s.away[i] /= size


@njit(cache=True)
def lean(p: Any, s: Any, angle: float, side: int) -> bool:
    """Fill `trial`: all that valves give along `away`, turned by `angle` to a side; False: there is no such side."""
    away, push, active, free = s.away, s.trial, p.vehicle.active, 0
    for i in range(3):
        free += active[i] > 0.0
    if angle > 0.0 and (free < 2 or (free == 2 and side >= 2)):
        return False
    first = 0  # the fixed axis about which to turn: the held one, else the one that is most across
    for i in range(3):
        if (free == 3 and abs(away[i]) < abs(away[first])) or (free == 2 and active[i] == 0.0):
            first = i
    one, two = (first + 1) % 3, (first + 2) % 3
    size = math.hypot(away[one], away[two])
    if size == 0.0:
        return False
    u, v, w = 0.0, -away[two] / size, away[one] / size
    if side >= 2:  # across both
        u, v, w = away[one] * w - away[two] * v, -away[first] * w, away[first] * v
    cosine, sine = math.cos(angle), math.sin(angle) * (1.0 if side % 2 == 0 else -1.0)
    most = 2.0 * p.thrust
    push[first] = active[first] * most * (cosine * away[first] + sine * u)
    push[one] = active[one] * most * (cosine * away[one] + sine * v)
    push[two] = active[two] * most * (cosine * away[two] + sine * w)
    return True


@njit(cache=True)
def leads_to_none(p: Any, s: Any, but: int) -> bool:
    """Whether the push on trial leaves room to stop beside every partner but one, or leads away from it."""
    found = True
    for j in range(p.count):
        if found and j != but and s.others[j].present and trial.room_to_stop(p, s, j) < 0.0:
            found = trial.leads_away(p, s, j, s.trial)
    return found


@njit(cache=True)
def least_room(p: Any, s: Any, but: int) -> float:
    """Least room m that the push on trial leaves to evade any partner but one (-1: any)."""
    least = math.inf
    for j in range(p.count):
        if s.others[j].present and j != but:
            least = min(least, trial.room_to_evade(p, s, j))
    return least


@njit(cache=True)
def inside(p: Any, s: Any) -> bool:
    """Whether the push on trial stops within the work area, or goes no farther out of it."""
    found = True
    for i in range(3):
        now, stop = s.ahead.position[i], s.stop[i]
        if p.vehicle.active[i] > 0.0:
            found = found and stop <= max(p.vehicle.high[i], now) and stop >= min(p.vehicle.low[i], now)
    return found
