"""Which valves are stuck: those that are reported open, or closed, for long against what they were told.

A valve counts as stuck open once it has been reported open, without a pause, for `patience` longer than the schedules
had it open, and as stuck closed once they have had it open for so long in all without a report of it open, while other
valves were; where all stay closed, somebody holds them. What it is told takes its delay to show. A sound valve answers,
and every answer starts the count anew: whatever its duty and however short its pulses, it never gets near. Valves that
are not permitted to open are told nothing, and what was thought to be stuck closed is then tried again.

The others push against a valve that is stuck open, and all do without those that are stuck.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.modulation import supply

PATIENCE: Final = 0.15
"""How long a valve must contradict what it was told, its delays not counted, s."""
SILENCE_NS: Final = 50_000_000
"""Time between two reports beyond which they tell nothing of what was in between."""

REMEMBERED: Final = 4
"""Schedules: with a period of 50 ms the last but three still shows where a valve closes as late as one may."""


class Condition(IntEnum):
    """What is found of a valve."""

    SOUND = 0
    STUCK_OPEN = 1
    STUCK_CLOSED = 2


FINDING: Final = np.dtype([("stamp", "i8"), ("valve", "i8"), ("condition", "i8"), ("before", "i8")], align=True)
"""A valve's `Condition` changed, found at a wrench's stamp (ns)."""

PARAMETERS: Final = np.dtype(
    [("reported", "i8"), ("valves", "i8"), ("patience", "i8"), ("opening", "i8"), ("closing", "i8")], align=True
)
"""reported: whether reports of the valves are heard at all; patience, and delays of opening and closing: ns."""

STATE: Final = np.dtype(
    [
        ("heard", "i8"),
        ("open", "i8", (messages.MAX_VALVES,)),
        ("excess", "i8", (messages.MAX_VALVES,)),
        ("missing", "i8", (messages.MAX_VALVES,)),
        ("others", "i8", (messages.MAX_VALVES,)),
        ("condition", "i8", (messages.MAX_VALVES,)),
        ("told", messages.SCHEDULE, (REMEMBERED,)),
        ("news_count", "i8"),
        ("news", FINDING, (messages.MAX_VALVES,)),
    ],
    align=True,
)
"""heard: stamp of the last report, ns; open: what it said. By valve, ns: excess, open since the last report of it
closed although it was not told to be; missing, closed since the last of it open although told to be open; others:
whether another valve was open meanwhile. told: the last schedules, oldest first; news: found with this wrench.
"""


def parameters_of(vehicle: Vehicle) -> NDArray[np.void]:
    """PARAMETERS of a vehicle whose file says whether its valves are reported at each tick."""
    parameters, thrusters = np.zeros(1, PARAMETERS), vehicle.thrusters
    parameters[0]["reported"] = vehicle.estimator.valve_forces == "reported"
    parameters[0]["valves"] = len(thrusters.valves)
    parameters[0]["opening"] = round(thrusters.opening_delay * NS_PER_S)
    parameters[0]["closing"] = round(thrusters.closing_delay * NS_PER_S)
    parameters[0]["patience"] = round(PATIENCE * NS_PER_S)
    return parameters


@njit(cache=True)
def note(p: Any, s: Any, schedule: Any) -> None:
    """Remember a schedule that was sent; from its stamp on it replaces what is left of the last one."""
    if p.reported:
        for k in range(REMEMBERED - 1):
            s.told[k] = s.told[k + 1]
        s.told[REMEMBERED - 1] = schedule


@njit(cache=True)
def accept_report(p: Any, s: Any, report: Any) -> None:
    """Take from `report` (VALVES) which valves are open; passed over: one older than the last."""
    if not p.reported or report.stamp < s.heard:
        return
    span = report.stamp - s.heard
    any_open = False
    for valve in range(p.valves):
        any_open = any_open or report.open[valve] != 0
        if span <= SILENCE_NS:
            if s.open[valve]:
                s.excess[valve] += max(span - told_open(s, valve, s.heard, report.stamp, 0, p.closing), 0)
            else:
                s.missing[valve] += told_open(s, valve, s.heard, report.stamp, p.opening, 0)
    for valve in range(p.valves):
        s.open[valve] = report.open[valve] != 0
        if s.open[valve]:
            s.missing[valve] = s.others[valve] = 0
        else:
            s.excess[valve] = 0
            if any_open and s.missing[valve] > 0:
                s.others[valve] = 1
    s.heard = report.stamp


@njit(cache=True)
def told_open(s: Any, valve: int, start: int, stop: int, opening: int, closing: int) -> int:
    """For how long from `start` to `stop` the last schedules have the valve open, ns; twice where pulses overlap.

    Each pulse begins `opening` and ends `closing` after it was told to.
    """
    total, begun, ended = 0, 0, 0
    for k in range(REMEMBERED):
        one = s.told[k]
        for point in range(one.count - 1):
            if one.open[point, valve]:
                first, last = one.stamp + one.offset[point], one.stamp + one.offset[point + 1]
                if k + 1 < REMEMBERED:
                    last = min(last, s.told[k + 1].stamp)
                if last <= first:
                    continue
                if first > ended:
                    total += max(min(stop, ended + closing) - max(start, begun + opening), 0)
                    begun = first
                ended = max(ended, last)
    return total + max(min(stop, ended + closing) - max(start, begun + opening), 0)


@njit(cache=True)
def judge(p: Any, s: Any, stamp: int, permitted: bool) -> None:
    """Bring `condition` up to what the reports say until the wrench at `stamp` ns, and gather the news."""
    s.news_count = 0
    if not p.reported:
        return
    for valve in range(p.valves):
        if not permitted:
            s.missing[valve] = s.others[valve] = 0
        found = Condition.SOUND
        if s.excess[valve] >= p.patience:
            found = Condition.STUCK_OPEN
        elif s.missing[valve] >= p.patience and s.others[valve]:
            found = Condition.STUCK_CLOSED
        before = s.condition[valve]
        if found == before:
            continue
        s.condition[valve] = found
        if permitted or before != Condition.STUCK_CLOSED:
            one = s.news[s.news_count]
            one.stamp, one.valve, one.condition, one.before = stamp, valve, found, before
            s.news_count += 1


@njit(cache=True)
def set_aside(p: Any, s: Any, sagging: Any, program: Any) -> None:
    """Tell an allocation which valves are stuck, and what those give that are stuck open.

    sagging: supply.PARAMETERS; they, and as much again that pushes against them, make the supply sag all the time.
    program: state of the allocation.
    """
    program.stuck_count, draw = 0, 0.0
    for valve in range(p.valves):
        program.stuck[valve] = s.condition[valve] != Condition.SOUND
        program.stuck_count += program.stuck[valve]
        if s.condition[valve] == Condition.STUCK_OPEN:
            draw += sagging.draw[valve]
    strength = supply.strength_under(sagging, 2.0 * draw) if program.stuck_count > 0 else 0.0
    for valve in range(p.valves):
        program.held[valve] = strength if s.condition[valve] == Condition.STUCK_OPEN else 0.0
