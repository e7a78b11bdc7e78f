"""Pulse modulation: one pulse per valve and period, never shorter than the valve can do, right on average.

What a pulse cannot give, because the valve's shortest pulse is longer than what is wanted, is carried over per valve to
the next periods. Duties, targets and carry are times of nominal thrust: late opening and sagging supply make a pulse as
much longer as they take away (pulses.py, supply.py), as far as the vehicle file says what they are.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.modulation import pulses, quiet, supply
from testbed.flight.modulation.between_chirps import pulse_in_gaps
from testbed.flight.modulation.replay import replay

PARAMETERS: Final = np.dtype(
    [
        ("valves", "i8"),
        ("period", "i8"),
        ("minimum_on", "i8"),
        ("minimum_off", "i8"),
        ("late_on", "f8"),
        ("late_off", "f8"),
        ("half_rise", "f8"),
        ("half_fall", "f8"),
        ("tail", "f8"),
        ("loss", "f8"),
        ("strongest", "f8"),
        ("bit", "f8"),
        ("most", "f8"),
        ("usable", "f8"),
        ("supply", supply.PARAMETERS),
        ("quiet", quiet.PARAMETERS),
    ],
    align=True,
)
"""period, shortest pulse and shortest pause in ns; all others but `strongest`, the supply's strength at rest, in s.

late_on, late_off: see pulses.py; tail: thrust of a valve after it is told to close; loss: commanded less given time of
one pulse at nominal strength; bit: what the shortest pulse gives at rest; most: that can be owed; usable: share of the
time that quiet windows leave.
"""

STATE: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("strength", "f8"),
        ("duty", "f8", (messages.MAX_VALVES,)),
        ("target", "f8", (messages.MAX_VALVES,)),
        ("carry", "f8", (messages.MAX_VALVES,)),
        ("is_open", "i8", (messages.MAX_VALVES,)),
        ("pulses", pulses.PULSES),
        ("gaps", quiet.GAPS),
    ],
    align=True,
)
"""Of the last schedule: stamp ns (0: none), strength of the supply and valves open as it began, duty, target s of
nominal thrust, its pulses. carry: s of nominal thrust still owed per valve."""


class Modulation:
    """On-times of all valves of a vehicle, with carry-over."""

    def __init__(self, vehicle: Vehicle, windows: quiet.Windows = quiet.NONE) -> None:
        self.parameters = np.zeros(1, PARAMETERS)
        self.state = np.zeros(1, STATE)
        p, thrusters = self.parameters[0], vehicle.thrusters
        p["supply"] = supply.supply_parameters(vehicle)[0]
        p["strongest"] = supply.rest_strength(p["supply"])
        # A shorter command would close the valve before it is fully open, where the times above do not hold.
        fully_open = thrusters.opening_delay + thrusters.rise_time - thrusters.closing_delay
        minimum_on = min(max(thrusters.minimum_on, fully_open), thrusters.modulation_period)
        p["valves"] = len(thrusters.valves)
        p["period"] = round(thrusters.modulation_period * NS_PER_S)
        p["minimum_on"] = round(minimum_on * NS_PER_S)
        p["minimum_off"] = min(p["minimum_on"], p["period"] - p["minimum_on"])
        later = thrusters.opening_delay - thrusters.closing_delay
        p["late_on"], p["late_off"] = max(later, 0.0), max(-later, 0.0)
        p["half_rise"], p["half_fall"] = 0.5 * thrusters.rise_time, 0.5 * thrusters.fall_time
        p["tail"] = p["late_off"] + p["half_fall"]
        p["loss"] = later + p["half_rise"] - p["half_fall"]
        p["bit"] = (minimum_on - p["loss"]) * p["strongest"]
        # Owed is less than the smallest pulse, and what a full period that begins with an opening can't make up for.
        p["most"] = p["bit"] + (p["late_on"] + p["half_rise"]) * p["strongest"]
        # What a period with much quiet can't give, another can.
        p["most"] += (p["period"] - min(quiet.usable(windows, vehicle))) / NS_PER_S
        p["usable"] = 1.0 - quiet.share_lost(windows, vehicle)
        quiet.fill(p["quiet"], windows)
        self.state[0]["strength"] = p["strongest"]

    def modulate(self, stamp: int, duty: NDArray[np.float64]) -> NDArray[np.void]:
        """Schedule (one messages.SCHEDULE) from `stamp` ns on that gives `duty` (valves,) and the time still owed."""
        schedule = np.zeros(1, messages.SCHEDULE)
        _modulate(self.parameters, self.state, stamp, duty, schedule)
        return schedule


@njit(cache=True)
def _modulate(parameters: Any, state: Any, stamp: int, duty: NDArray[np.float64], schedule: Any) -> None:
    p, s = parameters[0], state[0]
    account(p, s, stamp)
    for valve in range(p.valves):
        s.duty[valve] = duty[valve]
        s.target[valve] = duty[valve] * p.period / NS_PER_S + s.carry[valve]
    pulse(p, s, stamp)
    write(p, s, schedule[0])


@njit(cache=True)
def account(p: Any, s: Any, stamp: int) -> None:
    """Bring `carry` up to the start of a new schedule at `stamp`, which cuts off what is left of the last one.

    Owed is what was wanted until `stamp` less what the pulses gave; after a silence of more than two periods, nothing.
    """
    elapsed = stamp - s.stamp
    if s.stamp == 0 or elapsed <= 0 or elapsed > 2 * p.period:
        forget(p, s)
        return
    w = s.pulses
    if elapsed != p.period:
        replay(p, w, s.strength, elapsed)
    for j in range(p.valves):
        wanted = s.target[j] - s.duty[j] * max(p.period - elapsed, 0) / NS_PER_S
        s.is_open[j] = w.goes_on[j]
        s.carry[j] = min(max(wanted - w.given[j], -p.most), p.most)
    s.strength = w.supply.strength


@njit(cache=True)
def forget(p: Any, s: Any) -> None:
    """Owe nothing, all valves closed, the supply at rest."""
    s.stamp = 0
    s.strength = p.strongest
    pulses.start(p, s.pulses, s.strength)
    for j in range(p.valves):
        s.carry[j] = s.duty[j] = s.target[j] = 0.0
        s.is_open[j] = 0


@njit(cache=True)
def pulse(p: Any, s: Any, stamp: int) -> None:
    """Choose each valve's pulse for `target` s of nominal thrust in the period from `stamp`.

    None; one in the middle; one from the start, where half the pause would be shorter than the shortest pause (as long
    as the shortest pulse, if the period has room for both); or the whole period, where that is nearer to the target.
    Where there are quiet windows, as many as they ask for (between_chirps.py).
    """
    s.stamp = stamp
    w, end = s.pulses, p.period / NS_PER_S
    pulses.start(p, w, s.strength)
    if p.quiet.count > 0:
        pulse_in_gaps(p, s)
    else:
        plan(p, s)
        longest = p.period - p.minimum_off
        pulses.march(p, w, min(longest / NS_PER_S + p.late_off, end))
        pulses.settle(p, w, 0)
    supply.go_to(p.supply, w.supply, end)
    for k in range(w.used_count):
        if w.phase[w.used[k]] == pulses.STAYS:
            pulses.leave_open(p, w, w.used[k])


@njit(cache=True)
def plan(p: Any, s: Any) -> None:
    """Choose when each valve opens; where in the period a pulse lies goes by about how long it will be."""
    w, draw = s.pulses, 0.0
    for j in range(p.valves):
        w.need[j] = s.target[j]
        if fires(p, w, j):
            draw += p.supply.draw[j]
        if s.is_open[j] or fires(p, w, j):
            w.used[w.used_count] = j
            w.used_count += 1
    longest = p.period - p.minimum_off
    for k in range(w.used_count):
        j = w.used[k]
        command = 0
        if fires(p, w, j):
            mean = supply.mean_strength(p.supply, s.strength, draw, w.need[j])
            command = round((w.need[j] / mean + p.loss) * NS_PER_S)
        from_start = command > longest - p.minimum_off
        if s.is_open[j]:
            if from_start:
                pulses.go_on(p, w, j)
                continue
            w.cut[j] = 1
            pulses.give(w, j, p.tail * s.strength)
        if fires(p, w, j):
            w.phase[j] = pulses.WAITING
            w.begin[j] = 0 if from_start else (p.period - max(command, p.minimum_on)) // 2


@njit(cache=True)
def fires(p: Any, w: Any, j: int) -> bool:
    """Whether valve j is to give enough for the shortest pulse."""
    return bool(w.need[j] >= p.bit - 1e-12)


@njit(cache=True)
def write(p: Any, s: Any, schedule: Any) -> None:
    """Fill `schedule` with the pulses: sorted points, the first at the stamp, the last closes all."""
    w = s.pulses
    schedule.stamp = s.stamp
    schedule.offset[:] = 0
    schedule.open[:] = 0
    schedule.count = 1
    for k in range(w.count):
        insert(schedule, w.opening[k])
        insert(schedule, w.closing[k])
    for k in range(w.count):
        for point in range(schedule.count):
            if w.opening[k] <= schedule.offset[point] < w.closing[k]:
                schedule.open[point, w.valve[k]] = 1


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
