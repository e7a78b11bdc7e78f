"""The order of things: out there, in, turning along, closing in, latched; out again where something is wrong."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.docking import approach, entry, going, ports, transfer
from testbed.flight.docking import partner as tracking
from testbed.flight.docking import relative as frames
from testbed.flight.docking.memory import Failure, Phase

MOST_RETREATS: Final = 2
LOST: Final = 0.4
"""Age of the partner's odometry, s, from which on nothing closes in; a packet in twenty is lost, so 8 in a row."""
GIVEN_UP: Final = 1.5
"""Age at which to retreat, s."""
LOOK_EVERY: Final = NS_PER_S // 2
"""Time between two searches for a way in, ns."""
STEADY: Final = 2 * NS_PER_S
"""How long errors have to be small at the standoff, ns."""
LEAVING: Final = NS_PER_S // 4
"""For how long the corridor is left before it counts, ns: three steps that an estimate's jump does not last."""
GAP_WITHIN: Final = 0.03
"""Of the gap at the standoff, m."""
AT_REST: Final = 3 * NS_PER_S
"""How long a latch has to hold, ns."""
RETREAT_SPEED: Final = 0.04
"""Of a way out at its fastest, about, m/s: half of it in the mean."""
TIME_LIMITS: Final = (0, 200, 80, 60, 60, 15, 0, 80, 80, 0, 0)
"""Of each Phase, s; 0: none."""


@njit(cache=True)
def enter(s: Any, phase: int, stamp: int) -> None:
    """Go over to a phase."""
    s.phase, s.since = phase, stamp
    s.fine_since = s.out_since = 0


@njit(cache=True)
def begin(s: Any, stamp: int) -> None:
    """Begin docking from the motion `own`."""
    s.retreats, s.failure, s.engaged, s.begun = 0, Failure.NONE, 0, stamp
    going.start(s)
    enter(s, Phase.GOING, stamp)


@njit(cache=True)
def fail(s: Any, why: int, stamp: int) -> None:
    """Give up: out to where one waits."""
    s.failure, s.engaged = why, 0
    going.start(s)
    enter(s, Phase.FAILED, stamp)


@njit(cache=True)
def retreat(p: Any, s: Any, why: int, stamp: int) -> None:
    """Back along the axis to try again, unless that has been done often enough."""
    s.failure = why
    if s.retreats >= MOST_RETREATS:
        fail(s, why, stamp)
        return
    s.retreats += 1
    out_to_standoff(p, s, stamp)
    enter(s, Phase.RETREATING, stamp)


@njit(cache=True)
def out_to_standoff(p: Any, s: Any, stamp: int) -> None:
    """Plan the way from where the vehicle is seen to the standoff."""
    end, curvature, way = np.zeros(6), np.zeros(6), 0.0
    s.standoff = entry.standoff(p, s.contact, s.partner.rate, s.axis)
    for k in range(3):
        end[k] = s.contact[k] + s.standoff * s.axis[k]
        way += (end[k] - s.seen.place[k]) ** 2
    time = max(2.0 * way**0.5 / RETREAT_SPEED, 6.0)
    transfer.begin(s.transfer, stamp, time, s.seen, curvature, end)


@njit(cache=True)
def advance(p: Any, s: Any, stamp: int, latched: bool, age: float) -> None:
    """Decide the phase at `stamp` ns; age: of the partner's odometry, s. `own` and `partner` are as of then."""
    time = min(max((stamp - s.last) / NS_PER_S, 0.0), 0.2) if s.last else 0.0
    phase = s.phase
    if phase == Phase.IDLE or phase == Phase.DOCKED:
        if phase == Phase.DOCKED and not latched:
            retreat(p, s, Failure.LATCH_LOST, stamp)
        return
    if latched and phase >= Phase.ENTERING and phase <= Phase.RETREATING and phase != Phase.LATCHED and s.engaged:
        enter(s, Phase.LATCHED, stamp)
    elif over_time(s, stamp):
        fail(s, Failure.NO_WAY_IN if phase == Phase.GOING else Failure.TIMEOUT, stamp)
    elif phase == Phase.GOING or phase == Phase.CLEAR or phase == Phase.FAILED:
        go(p, s, stamp, time, age)
    elif phase == Phase.ENTERING or phase == Phase.RETREATING or phase == Phase.BACKING_OFF:
        transferred(p, s, stamp, age)
    elif phase == Phase.SYNCHRONISING:
        synchronise(p, s, stamp, age)
    elif phase == Phase.APPROACHING:
        close_in(p, s, stamp, time, age)
    elif phase == Phase.LATCHED:
        rest(p, s, stamp, latched)


@njit(cache=True)
def over_time(s: Any, stamp: int) -> bool:
    """Whether the phase has taken too long."""
    limit = TIME_LIMITS[s.phase]
    return limit > 0 and stamp - s.since > limit * NS_PER_S


@njit(cache=True)
def go(p: Any, s: Any, stamp: int, time: float, age: float) -> None:
    """Wait outside; whoever is to dock looks for a way in."""
    going.move_on(p, s, time)
    if s.phase == Phase.GOING and age < LOST and stamp - s.tried >= LOOK_EVERY:
        s.tried = stamp
        ports.choose(p, s)
        if entry.search(p, s, stamp):
            enter(s, Phase.ENTERING, stamp)
        tracking.foresee(p.partner, s.tracked, (stamp - s.tracked.stamp) / NS_PER_S, s.partner)


@njit(cache=True)
def transferred(p: Any, s: Any, stamp: int, age: float) -> None:
    """On the way in or out."""
    if age > GIVEN_UP and s.phase == Phase.ENTERING:
        fail(s, Failure.PARTNER_LOST, stamp)
    elif stamp - s.transfer.begun >= s.transfer.time * NS_PER_S:
        if s.phase == Phase.BACKING_OFF:
            going.start(s)
            enter(s, Phase.CLEAR, stamp)
        else:
            enter(s, Phase.SYNCHRONISING, stamp)


@njit(cache=True)
def synchronise(p: Any, s: Any, stamp: int, age: float) -> None:
    """At the standoff until all has been steady for a while."""
    if age > GIVEN_UP:
        fail(s, Failure.PARTNER_LOST, stamp)
    elif age > LOST or not approach.fine(p, s) or abs(s.seen_gap - s.standoff) > GAP_WITHIN:
        s.fine_since = 0
    elif s.fine_since == 0:
        s.fine_since = stamp
    elif stamp - s.fine_since >= STEADY:
        s.gap, s.closing, s.easing, s.engaged = s.standoff, 0.0, 0.0, 1
        enter(s, Phase.APPROACHING, stamp)


@njit(cache=True)
def close_in(p: Any, s: Any, stamp: int, time: float, age: float) -> None:
    """Close in, or retreat."""
    approach.close_in(p, s, time, age > LOST)
    if approach.in_corridor(p, s):
        s.out_since = 0
    elif s.out_since == 0:
        s.out_since = stamp
    if age > GIVEN_UP:
        retreat(p, s, Failure.PARTNER_LOST, stamp)
    elif s.out_since > 0 and stamp - s.out_since >= LEAVING and s.gap > approach.COMMITTED:
        retreat(p, s, Failure.OUT_OF_CORRIDOR, stamp)
    elif approach.too_fast(p, s) and s.seen_gap > approach.COMMITTED:
        retreat(p, s, Failure.TOO_FAST, stamp)
    elif s.gap < approach.BEYOND:
        retreat(p, s, Failure.MISSED, stamp)


@njit(cache=True)
def rest(p: Any, s: Any, stamp: int, latched: bool) -> None:
    """Latched: wait until that has held for long enough."""
    if not latched:
        retreat(p, s, Failure.LATCH_LOST, stamp)
    elif stamp - s.since >= AT_REST:
        enter(s, Phase.DOCKED, stamp)


@njit(cache=True)
def release(p: Any, s: Any, stamp: int) -> None:
    """Let go and back off; `own`, `partner` and `seen` are as of `stamp` ns."""
    s.engaged = 0
    out_to_standoff(p, s, stamp)
    enter(s, Phase.BACKING_OFF, stamp)


@njit(cache=True)
def reference(p: Any, s: Any, stamp: int, ahead: float, motion: Any) -> None:
    """Fill `motion` with the reference `ahead` s after `stamp` ns."""
    phase = s.phase
    if phase == Phase.GOING or phase == Phase.CLEAR or phase == Phase.FAILED:
        going.ahead(s, ahead, motion)
        return
    tracking.foresee(p.partner, s.tracked, (stamp - s.tracked.stamp) / NS_PER_S + ahead, s.partner)
    one = s.relative
    if phase == Phase.APPROACHING or phase == Phase.SYNCHRONISING:
        gap, closing = s.standoff, 0.0
        if phase == Phase.APPROACHING:
            gap = s.gap - ahead * (s.closing + 0.5 * ahead * s.easing)
            closing = s.closing + ahead * s.easing
        for k in range(3):
            one.place[k], one.speed[k] = s.contact[k] + gap * s.axis[k], -closing * s.axis[k]
            one.turn[k] = one.turning[k] = 0.0
    else:
        transfer.follow(s.transfer, (stamp - s.transfer.begun) / NS_PER_S + ahead, one)
    frames.compose(s.partner, s.mated, one, motion)
