"""The brake, and holding the place where it ended.

A velocity that is measured wrong the same way for long would make a vehicle that only brakes creep, so where it has
come to a stop it holds the place, by positions.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.flight.guard import outlook
from testbed.flight.guard.outlook import length
from testbed.flight.separation import trial

TURNS: Final = 3
"""How often a push is turned away from each partner in turn: with two or more they may lead back to each other."""


@njit(cache=True)
def brake(p: Any, s: Any, layout: Any, program: Any) -> None:
    """Fill `brake`: the acceleration, fixed frame, that brakes, or holds the place.

    layout, program: parameters and state of the allocation, whose wrench is overwritten.
    """
    velocity, period, speed = s.ahead.velocity, p.vehicle.period, length(s.ahead.velocity)
    if not s.holding and speed <= p.braking * period:
        s.holding = True
        for i in range(3):
            s.anchor[i] = s.ahead.position[i] + 0.5 * velocity[i] * period
    change, size, away = s.brake, 0.0, 0.0
    for i in range(3):
        away += (s.anchor[i] - s.ahead.position[i]) ** 2
    away = p.stiffness * math.sqrt(away)
    share = min(1.0, p.hold_speed / away) if away > 0.0 else 0.0
    if not s.holding or speed > 2.0 * p.hold_speed:
        share = 0.0
    for i in range(3):
        towards = share * p.stiffness * (s.anchor[i] - s.ahead.position[i])
        change[i] = (towards - velocity[i]) / period
        size += change[i] * change[i]
    if s.holding and size <= (p.deadband / period) ** 2:
        change[:] = 0.0
        return
    attain(p, s, layout, program, change)


@njit(cache=True)
def attain(p: Any, s: Any, layout: Any, program: Any, push: Any) -> None:
    """Scale the acceleration `push` (3,), fixed frame, to what the valves can give of it without torque."""
    force, own = s.ahead.passed, p.vehicle
    body = rotation.rotate_inverse(s.ahead.orientation, (push[0], push[1], push[2]))
    for i in range(3):
        force[i], force[3 + i] = own.active[i] * own.mass * body[i], 0.0
    share = outlook.attainable(layout, program, force)
    for i in range(3):
        push[i] *= own.active[i] * share


@njit(cache=True)
def let_go(p: Any, s: Any) -> bool:
    """Fill `trial`: the hold, and of what is wanted beyond it all that leads nowhere nearer; whether there is any.

    So it leads away at least as fast as the hold, which stays within its bound.
    """
    push = s.trial
    for i in range(3):
        push[i] = s.wanted[i] - s.brake[i]
    turn_from_all(p, s, push)
    some = length(push) > 0.0
    for i in range(3):
        push[i] += s.brake[i]
    trial.foresee(p, s, push)
    for k in range(p.count):
        if s.others[k].present and s.room[k] < 0.0:
            some = some and trial.leads_away(p, s, k, push)
    return some


@njit(cache=True)
def turn_from_all(p: Any, s: Any, push: Any) -> None:
    """Take out of `push` (3,) what leads towards anybody too near, as it is or where it stops."""
    for _ in range(TURNS):
        for k in range(p.count):
            if s.others[k].present and s.room[k] < 0.0:
                turn_away(s, s.others[k].now, push)
                turn_away(s, s.others[k].stop, push)


@njit(cache=True)
def turn_away(s: Any, end: Any, push: Any) -> None:
    """Take out of `push` (3,) what leads towards the point `end`."""
    lean, square = 0.0, 0.0
    for i in range(3):
        gap = s.ahead.position[i] - end[i]
        lean += gap * push[i]
        square += gap * gap
    if lean < 0.0 and square > 0.0:
        for i in range(3):
            push[i] -= lean / square * (s.ahead.position[i] - end[i])


@njit(cache=True)
def move_anchor(p: Any, s: Any) -> None:
    """Hold where a brake would end, but no nearer to anybody too near than the place held so far, if there is one."""
    speed = length(s.ahead.velocity)
    for i in range(3):
        stop = s.ahead.position[i] + s.ahead.velocity[i] * speed / (2.0 * p.braking)
        if not s.holding:
            s.anchor[i] = stop
        s.away[i] = stop - s.anchor[i]
    s.holding = True
    turn_from_all(p, s, s.away)
    for i in range(3):
        s.anchor[i] += s.away[i]
