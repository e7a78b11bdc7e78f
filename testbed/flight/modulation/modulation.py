"""Pulse modulation: one pulse per valve and period, never shorter than the valve can do, right on average.

What a pulse cannot give, because the valve's shortest pulse is longer than what is wanted, is carried over per valve to
the next periods. Duties, targets and carry are times of full thrust: with linear ramps a command of length c yields
c - loss, loss = (opening delay + rise/2) - (closing delay + fall/2), booked when the valve opens.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import ThrusterSet

PARAMETERS: Final = np.dtype(
    [
        ("valves", "i8"),
        ("period", "i8"),
        ("minimum_on", "i8"),
        ("minimum_off", "i8"),
        ("loss", "f8"),
        ("bit", "f8"),
    ],
    align=True,
)
"""period, shortest pulse and shortest pause in ns; loss per pulse and bit (shortest time of full thrust) in s."""

STATE: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("duty", "f8", (messages.MAX_VALVES,)),
        ("target", "f8", (messages.MAX_VALVES,)),
        ("carry", "f8", (messages.MAX_VALVES,)),
        ("opening", "i8", (messages.MAX_VALVES,)),
        ("closing", "i8", (messages.MAX_VALVES,)),
        ("is_open", "i8", (messages.MAX_VALVES,)),
    ],
    align=True,
)
"""Of the last schedule: stamp ns (0: none), duty, target s of full thrust, offsets ns of each pulse (both 0: none).

carry: s of full thrust still owed per valve; is_open: whether the valve was open when the schedule began.
"""


class Modulation:
    """On-times of all valves of a vehicle, with carry-over."""

    def __init__(self, thrusters: ThrusterSet) -> None:
        self.parameters = np.zeros(1, PARAMETERS)
        self.state = np.zeros(1, STATE)
        p = self.parameters[0]
        # A shorter command would close the valve before it is fully open, where the times above do not hold.
        fully_open = thrusters.opening_delay + thrusters.rise_time - thrusters.closing_delay
        minimum_on = min(max(thrusters.minimum_on, fully_open), thrusters.modulation_period)
        p["valves"] = len(thrusters.valves)
        p["period"] = round(thrusters.modulation_period * NS_PER_S)
        p["minimum_on"] = round(minimum_on * NS_PER_S)
        p["minimum_off"] = min(p["minimum_on"], p["period"] - p["minimum_on"])
        opened = thrusters.opening_delay + 0.5 * thrusters.rise_time
        closed = thrusters.closing_delay + 0.5 * thrusters.fall_time
        p["loss"] = opened - closed
        p["bit"] = minimum_on - p["loss"]

    def modulate(self, stamp: int, duty: NDArray[np.float64]) -> NDArray[np.void]:
        """Schedule (one messages.SCHEDULE) from `stamp` ns on that gives `duty` (valves,) and the time still owed."""
        schedule = np.zeros(1, messages.SCHEDULE)
        p, s = self.parameters[0], self.state[0]
        account(p, s, stamp)
        for valve in range(p["valves"]):
            s["duty"][valve] = duty[valve]
            s["target"][valve] = duty[valve] * p["period"] / NS_PER_S + s["carry"][valve]
        pulse(p, s, stamp)
        write(p, s, schedule[0])
        return schedule


@njit(cache=True)
def account(p: Any, s: Any, stamp: int) -> None:
    """Bring `carry` up to the start of a new schedule at `stamp`, which cuts off what is left of the last one.

    Owed is what was wanted until `stamp` less what the pulses gave; after a silence of more than two periods, nothing.
    """
    elapsed = stamp - s.stamp
    if s.stamp == 0 or elapsed <= 0 or elapsed > 2 * p.period:
        forget(p, s)
        return
    for j in range(p.valves):
        wanted = s.target[j] - s.duty[j] * max(p.period - elapsed, 0) / NS_PER_S
        opening, closing = min(s.opening[j], elapsed), min(s.closing[j], elapsed)
        given = (closing - opening) / NS_PER_S
        if closing > opening and not (s.is_open[j] and opening == 0):
            given -= p.loss
        s.is_open[j] = closing > opening and closing == elapsed
        # Owed is less than the smallest pulse, and what a full period that begins with an opening can't make up for.
        most = p.bit + max(p.loss, 0.0)
        s.carry[j] = min(max(wanted - given, -most), most)


@njit(cache=True)
def forget(p: Any, s: Any) -> None:
    """Owe nothing, all valves closed."""
    s.stamp = 0
    for j in range(p.valves):
        s.carry[j] = s.duty[j] = s.target[j] = 0.0
        s.opening[j] = s.closing[j] = s.is_open[j] = 0


@njit(cache=True)
def pulse(p: Any, s: Any, stamp: int) -> None:
    """Choose each valve's pulse for `target` s of full thrust in the period from `stamp`.

    None; one in the middle; one from the start, where half the pause would be shorter than the shortest pause (as long
    as the shortest pulse, if the period has room for both); or the whole period, where that is nearer to the target.
    """
    s.stamp = stamp
    longest = p.period - p.minimum_off
    for j in range(p.valves):
        s.opening[j] = s.closing[j] = 0
        if s.target[j] < p.bit - 1e-12:
            continue
        command = round((s.target[j] + p.loss) * NS_PER_S)
        from_start = command > longest - p.minimum_off
        if from_start and s.is_open[j]:
            command = round(s.target[j] * NS_PER_S)
        if command >= p.period - p.minimum_off // 2:
            s.closing[j] = p.period
            continue
        command = min(max(command, p.minimum_on), longest)
        s.opening[j] = 0 if from_start else (p.period - command) // 2
        s.closing[j] = s.opening[j] + command


@njit(cache=True)
def write(p: Any, s: Any, schedule: Any) -> None:
    """Fill `schedule` with the pulses: sorted points, the first at the stamp, the last closes all."""
    schedule.stamp = s.stamp
    schedule.offset[:] = 0
    schedule.open[:] = 0
    schedule.count = 1
    for j in range(p.valves):
        if s.closing[j] > s.opening[j]:
            insert(schedule, s.opening[j])
            insert(schedule, s.closing[j])
    for k in range(schedule.count):
        for j in range(p.valves):
            schedule.open[k, j] = s.opening[j] <= schedule.offset[k] < s.closing[j]


@njit(cache=True)
def insert(schedule: Any, offset: int) -> None:
    """Add a point at `offset` in its place, unless there is one."""
    k = schedule.count
    while schedule.offset[k - 1] > offset:
        k -= 1
    if schedule.offset[k - 1] == offset:
        return
    for later in range(schedule.count, k, -1):
        schedule.offset[later] = schedule.offset[later - 1]
    schedule.offset[k] = offset
    schedule.count += 1
