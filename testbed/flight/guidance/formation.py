"""The maneuver of kind formation: which trajectory is followed, which one is next, and from when on."""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.maneuver import Kind, Reason
from testbed.description.messages import NS_PER_S
from testbed.flight.guidance import drift, joining, trajectory
from testbed.flight.guidance import plan as planning
from testbed.flight.guidance.memory import Planned


@njit(cache=True)
def accept(s: Any, message: Any) -> bool:
    """Keep one messages.TRAJECTORY as the next; whether it was taken.

    Refused is what cannot be followed. Not taken are what answers an earlier maneuver, what does not begin later than
    what is there, such as the same once more, and one without knots. One for a later maneuver than the present waits
    for it, so that the order of both messages does not matter.
    """
    if message.number < s.maneuver.number or message.count == 0:
        return False
    if not trajectory.sound(message):
        s.refused = message.number
        return False
    for one in (s.present, s.next):
        ours = one.knots.count > 0 and one.knots.number == message.number
        if ours and message.stamp + message.offset[0] <= first(one.knots):
            return False
    trajectory.take(message, s.next.knots)
    s.next.joined = 0
    if s.refused == message.number:
        s.refused = 0
    return True


@njit(cache=True)
def first(knots: Any) -> int:
    """Stamp of the first knot, ns."""
    return knots.stamp + round(knots.time[0] * NS_PER_S)


@njit(cache=True)
def goes_on_into(s: Any, maneuver: Any) -> bool:
    """Whether the trajectory that is followed is followed on until `maneuver` has its own."""
    both = s.maneuver.kind == Kind.FORMATION and maneuver.kind == Kind.FORMATION
    return both and s.present.knots.count > 0


@njit(cache=True)
def forget(s: Any, goes_on: bool) -> None:
    """Begin a new maneuver: a trajectory that is its own, or a later one's, is kept, and the present if it goes on."""
    s.next.joined = 0
    if not goes_on:
        s.present.knots.count = s.present.joined = 0
    if s.next.knots.number < s.maneuver.number:
        s.next.knots.count = 0


@njit(cache=True)
def awaited(s: Any) -> bool:
    """Whether the present maneuver has a trajectory that is not followed yet."""
    ours = s.maneuver.kind == Kind.FORMATION and s.next.knots.number == s.maneuver.number
    return ours and s.next.knots.count > 0


@njit(cache=True)
def beginning(s: Any) -> int:
    """From when on the next trajectory is followed, ns: its first knot, but not before the maneuver's start."""
    return max(first(s.next.knots), s.maneuver.start)


@njit(cache=True)
def take_over(p: Any, s: Any, odometry: Any) -> bool:
    """Go over to the next trajectory if it has begun; whether the one that is followed is the maneuver's own.

    It is joined from the reference, or, where there is none, when the maneuver is planned.
    """
    if awaited(s) and beginning(s) <= odometry.stamp:
        if s.plan != Planned.NOTHING and not s.next.joined:
            join_next(p, s, odometry.stamp, odometry)
        if s.present.knots.count == 0 or s.present.knots.number != s.next.knots.number:
            s.begun = beginning(s)
        s.present = s.next
        s.next.knots.count = s.next.joined = 0
        s.within_since = 0
        planning.span(s)
        if s.plan == Planned.WAITING:
            drift.forget(s)
            s.plan = Planned.MANEUVER
    return bool(s.present.knots.count > 0 and s.present.knots.number == s.maneuver.number)


@njit(cache=True)
def follows_earlier(s: Any) -> bool:
    """Whether the trajectory of the maneuver before is followed, because the present one has none yet."""
    ours = s.maneuver.kind == Kind.FORMATION and s.present.knots.count > 0
    return ours and s.present.knots.number != s.maneuver.number


@njit(cache=True)
def look_ahead(p: Any, s: Any, odometry: Any) -> None:
    """Join the next trajectory in time, so that pulses that reach beyond its beginning know of it."""
    if awaited(s) and not s.next.joined:
        join_next(p, s, max(beginning(s), odometry.stamp), odometry)


@njit(cache=True)
def join_next(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    """Join the next trajectory at `stamp` ns from the reference."""
    planning.locate(s, (stamp - s.origin) / NS_PER_S, s.pulse_start)
    joining.join(p, s, s.next, stamp, odometry)


@njit(cache=True)
def moves_on(s: Any) -> bool:
    """Whether the trajectory that is followed does not end at rest."""
    return s.maneuver.kind == Kind.FORMATION and trajectory.goes_on(s.present.knots)


@njit(cache=True)
def told(s: Any, reason: int) -> int:
    """What the status says: of a maneuver that goes on, that its last trajectory was refused."""
    ours = s.maneuver.kind == Kind.FORMATION and s.refused == s.maneuver.number
    goes_on = reason == Reason.NONE or reason == Reason.NOT_STARTED or reason == Reason.NO_TRAJECTORY
    return Reason.BAD_TRAJECTORY if ours and goes_on else reason
