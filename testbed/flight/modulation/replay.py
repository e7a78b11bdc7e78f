"""What pulses gave up to a moment, when the next schedule does not come just as the period ends."""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.modulation import pulses, supply

TO_COME, OPEN, OVER = 0, 1, 2
"""Stages of a pulse."""


@njit(cache=True)
def replay(p: Any, w: Any, strength: float, elapsed: int) -> None:
    """Book in `given` what the pulses noted in `w` gave until `elapsed` ns after the period began with `strength`.

    goes_on: which valves are commanded open at that moment.
    """
    u, end = w.supply, elapsed / NS_PER_S
    pulses.rest(u, strength)
    for j in range(p.valves):
        w.given[j] = p.tail * strength if w.cut[j] else 0.0
        w.goes_on[j] = 0
    for k in range(w.count):
        j = w.valve[k]
        w.goes_on[j] |= w.opening[k] < elapsed <= w.closing[k]
        w.stage[k] = TO_COME
        if w.opening[k] == 0 and w.continued[j]:
            pulses.go_on(p, w, j)
            w.stage[k] = OPEN
    while True:
        at, which = end, -1
        for k in range(w.count):
            time = w.opening[k] / NS_PER_S + p.late_on
            if w.stage[k] == OPEN:
                time = w.closing[k] / NS_PER_S + p.late_off
            if w.stage[k] != OVER and time < at:
                at, which = time, k
        supply.go_to(p.supply, u, at)
        if which < 0:
            break
        j = w.valve[which]
        if w.stage[which] == TO_COME:
            pulses.open_valve(p, w, j)
        else:
            w.given[j] += u.sum - w.base[j] + p.half_fall * u.strength
            pulses.stop(p, w, j)
        w.stage[which] += 1
    for k in range(w.count):
        if w.stage[k] == OPEN:
            w.given[w.valve[k]] += u.sum - w.base[w.valve[k]]
