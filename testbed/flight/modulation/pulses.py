"""Pulses in the order of time: valves open when planned and close when they have given what they should.

What a valve gives depends on nothing that comes later, so that one pass finds every closing exactly, however many
valves share the supply. Delays and ramps: gas flows from `late_on` after the command to open until `late_off` after
that to close (both less what the two delays have in common, which only shifts the schedule), and of the thrust half
the rise is lost and half the fall gained, at the strength of that moment.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.flight.modulation import supply

MAX_PULSES: Final = 8 * messages.MAX_VALVES

IDLE, WAITING, OPEN, STAYS = 0, 1, 2, 3
"""What a valve does: nothing (any more), opens at `begin`, is open until it has given enough, is open to the end."""

PULSES: Final = np.dtype(
    [
        ("supply", supply.STATE),
        ("phase", "i8", (messages.MAX_VALVES,)),
        ("begin", "i8", (messages.MAX_VALVES,)),
        ("need", "f8", (messages.MAX_VALVES,)),
        ("base", "f8", (messages.MAX_VALVES,)),
        ("given", "f8", (messages.MAX_VALVES,)),
        ("continued", "i8", (messages.MAX_VALVES,)),
        ("goes_on", "i8", (messages.MAX_VALVES,)),
        ("cut", "i8", (messages.MAX_VALVES,)),
        ("used", "i8", (messages.MAX_VALVES,)),
        ("used_count", "i8"),
        ("count", "i8"),
        ("valve", "i8", (MAX_PULSES,)),
        ("opening", "i8", (MAX_PULSES,)),
        ("closing", "i8", (MAX_PULSES,)),
        ("stage", "i8", (MAX_PULSES,)),
    ],
    align=True,
)
"""need and given: s of nominal thrust that a valve has to give, and gave; base: the supply's integral at its opening
and half the rise; begin: command to open, ns; used: the valves that do anything at all in this period; then the pulses:
valve, opening and closing commands, ns from the start of the period. continued: open from the period before on;
cut: open until this one began; goes_on: open at its end; stage: see replay.py."""


@njit(cache=True)
def start(p: Any, w: Any, strength: float) -> None:
    """Begin a period with all valves closed and this strength of the supply."""
    rest(w.supply, strength)
    w.count = w.used_count = 0
    for j in range(p.valves):
        w.phase[j] = IDLE
        w.given[j] = 0.0
        w.continued[j] = w.goes_on[j] = w.cut[j] = 0


@njit(cache=True)
def rest(u: Any, strength: float) -> None:
    """All valves closed, at the start of a period."""
    u.time = u.sum = u.draw = 0.0
    u.strength, u.open = strength, 0


@njit(cache=True)
def march(p: Any, w: Any, end: float) -> None:
    """Go to `end` s, opening valves that wait and closing those that have given what they should."""
    u = w.supply
    while True:
        opening, first = -1, -1
        for k in range(w.used_count):
            j = w.used[k]
            if w.phase[j] == WAITING:
                if opening < 0 or w.begin[j] < w.begin[opening]:
                    opening = j
            elif w.phase[j] == OPEN and (first < 0 or w.base[j] + w.need[j] < w.base[first] + w.need[first]):
                first = j
        until, opens = end, False
        if opening >= 0:
            at = w.begin[opening] / NS_PER_S + p.late_on
            if at < end:
                until, opens = at, True
        if first >= 0:
            amount = w.base[first] + w.need[first] - u.sum
            if amount <= (until - u.time + p.half_fall) * p.strongest:
                shortest = (w.begin[first] + p.minimum_on) / NS_PER_S + p.late_off
                at = max(u.time + supply.time_to(p.supply, u, amount, p.half_fall), shortest)
                if at <= until:
                    supply.go_to(p.supply, u, at)
                    close(p, w, first)
                    continue
        supply.go_to(p.supply, u, until)
        if not opens:
            return
        open_valve(p, w, opening)


@njit(cache=True)
def open_valve(p: Any, w: Any, j: int) -> None:
    """Let gas flow through valve j from now on."""
    u = w.supply
    w.phase[j] = OPEN
    w.base[j] = u.sum + p.half_rise * u.strength
    u.draw += p.supply.draw[j]
    u.open += 1


@njit(cache=True)
def go_on(p: Any, w: Any, j: int) -> None:
    """Let valve j, open before the period began, stay open from its start on."""
    w.phase[j], w.begin[j], w.base[j], w.continued[j] = OPEN, 0, 0.0, 1
    w.supply.draw += p.supply.draw[j]
    w.supply.open += 1


@njit(cache=True)
def close(p: Any, w: Any, j: int) -> None:
    """Stop the flow through valve j now, and note its pulse, by rounding never shorter than the valve can do."""
    u = w.supply
    command = round((u.time - p.late_off) * NS_PER_S)
    note(w, j, command if w.continued[j] else max(command, w.begin[j] + p.minimum_on))
    give(w, j, u.sum - w.base[j] + p.half_fall * u.strength)
    stop(p, w, j)


@njit(cache=True)
def give(w: Any, j: int, time: float) -> None:
    """Book `time` s of nominal thrust."""
    w.given[j] += time
    w.need[j] -= time


@njit(cache=True)
def settle(p: Any, w: Any, latest: int) -> None:
    """Close the valves that are still open now, but let those stay open to the end of the period that come nearer so.

    Only those may stay that opened at `latest` ns at the latest.
    """
    for k in range(w.used_count):
        j = w.used[k]
        if w.phase[j] == OPEN:
            left = w.base[j] + w.need[j] - w.supply.sum - p.half_fall * w.supply.strength
            if w.begin[j] <= latest and left >= 0.5 * p.minimum_off / NS_PER_S * w.supply.strength:
                w.phase[j] = STAYS
            else:
                close(p, w, j)


@njit(cache=True)
def stop(p: Any, w: Any, j: int) -> None:
    """Take valve j from the flow."""
    w.phase[j] = IDLE
    w.supply.open -= 1
    w.supply.draw = w.supply.draw - p.supply.draw[j] if w.supply.open > 0 else 0.0


@njit(cache=True)
def leave_open(p: Any, w: Any, j: int) -> None:
    """Let valve j be open as the period ends; its pulse may go on in the next."""
    give(w, j, w.supply.sum - w.base[j])
    note(w, j, p.period)
    w.goes_on[j] = 1
    stop(p, w, j)


@njit(cache=True)
def note(w: Any, j: int, command: int) -> None:
    """Note the pulse of valve j that ends at `command` (ns)."""
    if w.count < MAX_PULSES:
        w.valve[w.count], w.opening[w.count], w.closing[w.count] = j, w.begin[j], command
        w.count += 1
