"""What an acceleration on trial leads to, and how much room it leaves to each partner."""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.guard.outlook import ROUNDING, length
from testbed.flight.separation import corridor
from testbed.flight.separation.segments import distance
from testbed.flight.separation.sight import stop_doubt


@njit(cache=True)
def doubt(p: Any, s: Any, position_error: float, velocity_error: float) -> None:
    """Fill how wrong position and velocity may be when the wrench begins to act, from the errors of the odometry.

    What earlier schedules still give may differ by the spread of the thrust and by what leftover pulses owe.
    """
    own, wait = p.vehicle, s.ahead.wait
    coming = length(s.ahead.coming[:3]) / own.mass
    s.doubt_speed = velocity_error + p.spread * coming + own.drift * wait + own.still_speed
    s.doubt = position_error + s.doubt_speed * wait


@njit(cache=True)
def foresee(p: Any, s: Any, push: Any) -> None:
    """Fill `end`, `pace` and `stop` for the acceleration `push` (3,), and how wrong they may be."""
    period = p.vehicle.period
    for i in range(3):
        s.pace[i] = s.ahead.velocity[i] + push[i] * period
        s.end[i] = s.ahead.position[i] + 0.5 * (s.ahead.velocity[i] + s.pace[i]) * period
    speed = length(s.pace)
    for i in range(3):
        s.stop[i] = s.end[i] + s.pace[i] * speed / (2.0 * p.braking)
    s.pace_doubt = s.doubt_speed + (p.spread * length(push) + p.vehicle.drift) * period
    s.end_doubt = s.doubt + s.pace_doubt * period
    stopping = stop_doubt(speed, s.pace_doubt, s.pace_doubt, p.aside, p.braking)
    s.reach = s.end_doubt + stopping + p.position_error + p.hold


@njit(cache=True)
def room_to_stop(p: Any, s: Any, k: int) -> float:
    """Room m left between one's own way to the stop and that of partner k: negative, and they may meet."""
    other = s.others[k]
    gap = min(distance(s.ahead.position, s.end, other.now, other.stop), distance(s.end, s.stop, other.now, other.stop))
    return gap - s.reach - other.reach - corridor.keep(p, s, k)


@njit(cache=True)
def room_to_evade(p: Any, s: Any, k: int) -> float:
    """Room m left to evade partner k along the line of sight, if from then on it strays: negative, and it may be hit.

    While one pushes away and it strays, the distance d obeys d'' >= outrun, as motion across the line of sight only
    adds to it; so closing at c it falls by c²/(2·outrun) at most.
    """
    partner, other = p.partners[k], s.others[k]
    apart, closing, across = 0.0, 0.0, 0.0
    for i in range(3):
        gap, rate = other.ahead[i] - s.end[i], s.pace[i] - other.velocity[i]
        apart += gap * gap
        closing += gap * rate
        across += rate * rate
    apart = math.sqrt(apart)
    wrong = s.end_doubt + other.doubt
    if apart <= 2.0 * wrong:
        return -corridor.keep(p, s, k)
    closing = closing / apart + math.sqrt(across) * wrong / apart + s.pace_doubt + other.doubt_speed
    falls = max(closing, 0.0) ** 2 / (2.0 * partner.outrun)
    bend = (p.thrust + partner.thrust) * p.vehicle.period**2 / 8.0
    return apart - wrong - falls - bend - corridor.keep(p, s, k)


@njit(cache=True)
def can_stop(p: Any, s: Any, but: int) -> bool:
    """Whether the acceleration on trial leaves room to stop beside every partner but one (-1: every partner)."""
    found = True
    for k in range(p.count):
        if found and k != but and s.others[k].present:
            found = room_to_stop(p, s, k) >= 0.0
    return found


@njit(cache=True)
def can_evade(p: Any, s: Any) -> bool:
    """Whether the acceleration on trial leaves room to evade any one partner."""
    found = True
    for k in range(p.count):
        if found and s.others[k].present:
            found = room_to_evade(p, s, k) >= 0.0
    return found


@njit(cache=True)
def kept(p: Any, s: Any, push: Any) -> bool:
    """Whether the acceleration `push` (3,) leaves both."""
    foresee(p, s, push)
    return can_stop(p, s, -1) and can_evade(p, s)


@njit(cache=True)
def leads_away(p: Any, s: Any, k: int, push: Any) -> bool:
    """Whether `push` (3,), which is on trial, leads away from partner k and its way to a stop, more than the brake."""
    away = True
    for end in (s.others[k].now, s.others[k].stop):
        more, pace = 0.0, 0.0
        for i in range(3):
            gap = s.ahead.position[i] - end[i]
            more += gap * (push[i] - s.brake[i])
            pace += gap * s.pace[i]
        away = away and more >= -ROUNDING and pace >= -ROUNDING
    return away


@njit(cache=True)
def may_be_close(p: Any, s: Any, k: int, position_error: float, velocity_error: float) -> bool:
    """Whether the separation from partner k may fall below the minimum before the next wrench is asked for.

    `end` holds one's own position now; errors m and m/s of that.
    """
    partner, other = p.partners[k], s.others[k]
    apart, closing = 0.0, 0.0
    for i in range(3):
        gap = other.now[i] - s.end[i]
        apart += gap * gap
        closing += gap * (s.ahead.velocity[i] - other.velocity[i])
    apart = math.sqrt(apart)
    closing = closing / apart if apart > 0.0 else 0.0
    doubt_speed = velocity_error + partner.velocity_error + partner.thrust * p.oldest / NS_PER_S
    period = p.vehicle.period
    falls = (max(closing, 0.0) + doubt_speed) * period + 0.5 * (p.thrust + partner.thrust) * period**2
    return apart - position_error - other.doubt_now - falls < corridor.minimum(p, s, k)
