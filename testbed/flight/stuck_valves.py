"""Which valves are stuck: those that are reported open, or closed, for long against what they were told.

A valve counts as stuck open once it has been reported open, without a pause, for `patience` longer than the schedules
had it open, and as stuck closed once they have had it open for so long in all without a report of it open, while other
valves were; where all stay closed, somebody holds them. A sound valve answers within its delays, and every answer
starts the count anew: whatever its duty and however short its pulses, it never gets near. Valves that are not
permitted to open are told nothing, and what was thought to be stuck closed is then tried again.
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

PATIENCE: Final = 0.15
"""How long a valve must contradict what it was told, beyond its delays, s."""
SILENCE_NS: Final = 50_000_000
"""Time between two reports beyond which they tell nothing of what was in between."""


class Condition(IntEnum):
    """What is found of a valve."""

    SOUND = 0
    STUCK_OPEN = 1
    STUCK_CLOSED = 2


FINDING: Final = np.dtype([("stamp", "i8"), ("valve", "i8"), ("condition", "i8"), ("before", "i8")], align=True)
"""A valve's `Condition` changed, found at a wrench's stamp (ns)."""

PARAMETERS: Final = np.dtype([("reported", "i8"), ("valves", "i8"), ("patience", "i8")], align=True)
"""reported: whether reports of the valves are heard at all; patience: ns."""

STATE: Final = np.dtype(
    [
        ("heard", "i8"),
        ("open", "i8", (messages.MAX_VALVES,)),
        ("excess", "i8", (messages.MAX_VALVES,)),
        ("missing", "i8", (messages.MAX_VALVES,)),
        ("others", "i8", (messages.MAX_VALVES,)),
        ("condition", "i8", (messages.MAX_VALVES,)),
        ("told", messages.SCHEDULE, (2,)),
        ("news_count", "i8"),
        ("news", FINDING, (messages.MAX_VALVES,)),
    ],
    align=True,
)
"""heard: stamp of the last report, ns; open: what it said. By valve, ns: excess, open since the last report of it closed
although it was not told to be; missing, closed since the last of it open although told to be open; others: whether
another valve was open meanwhile. told: the last schedule but one, and the last; news: what was found with this wrench.
"""


def parameters_of(vehicle: Vehicle) -> NDArray[np.void]:
    """PARAMETERS of a vehicle whose file says whether its valves are reported at each tick."""
    parameters, thrusters = np.zeros(1, PARAMETERS), vehicle.thrusters
    parameters[0]["reported"] = vehicle.estimator.valve_forces == "reported"
    parameters[0]["valves"] = len(thrusters.valves)
    late = max(thrusters.opening_delay, thrusters.closing_delay)
    parameters[0]["patience"] = round((PATIENCE + late) * NS_PER_S)
    return parameters


@njit(cache=True)
def note(p: Any, s: Any, schedule: Any) -> None:
    """Remember a schedule that was sent; from its stamp on it replaces what is left of the last one."""
    if p.reported:
        s.told[0] = s.told[1]
        s.told[1] = schedule


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
            told = told_open(s, valve, s.heard, report.stamp)
            if s.open[valve]:
                s.excess[valve] += span - told
            else:
                s.missing[valve] += told
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
def told_open(s: Any, valve: int, start: int, stop: int) -> int:
    """For how long from `start` to `stop` (ns) the last two schedules have the valve open, ns."""
    total = 0
    for k in range(2):
        one = s.told[k]
        end = min(stop, s.told[1].stamp) if k == 0 else stop
        for point in range(one.count - 1):
            if one.open[point, valve]:
                first = max(start, one.stamp + one.offset[point])
                total += max(min(end, one.stamp + one.offset[point + 1]) - first, 0)
    return total


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
