"""Pulses in the gaps between quiet windows: as much as each gap has room for, the rest in the next one."""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.modulation import pulses, quiet, supply

NEVER: Final = -1
"""No valve that opened at such a time, ns."""


@njit(cache=True)
def pulse_in_gaps(p: Any, s: Any) -> None:
    """Choose the pulses of every valve for `target` s of nominal thrust, none of them in a quiet window.

    In each gap a valve opens at once, if there is enough left to give and room for the shortest pulse, and closes when
    it has given what is left or the gap ends. At the end of the period it stays open as in an ordinary one.
    """
    w, g = s.pulses, s.gaps
    quiet.find_gaps(p.quiet, g, s.stamp, p.period)
    begin(p, s)
    for k in range(g.count):
        start, end = g.start[k], g.end[k]
        at_end = end == p.period
        if at_end:
            end = p.period - p.minimum_off
        supply.go_to(p.supply, w.supply, max(start / NS_PER_S, w.supply.time))
        for i in range(w.used_count):
            j = w.used[i]
            if w.phase[j] == pulses.IDLE and w.need[j] >= p.bit - 1e-12 and end - start >= p.minimum_on:
                w.phase[j], w.begin[j] = pulses.WAITING, start
        if end > start:
            pulses.march(p, w, min(end / NS_PER_S + p.late_off, p.period / NS_PER_S))
        pulses.settle(p, w, p.period - p.minimum_on if at_end else NEVER)


@njit(cache=True)
def begin(p: Any, s: Any) -> None:
    """Let valves that are open go on, if a gap does and there is enough left to give; close all others."""
    w, g = s.pulses, s.gaps
    goes_on = g.count > 0 and g.start[0] == 0
    for j in range(p.valves):
        w.need[j] = s.target[j]
        wanted = w.need[j] >= p.bit - 1e-12
        if not (s.is_open[j] or wanted):
            continue
        w.used[w.used_count] = j
        w.used_count += 1
        if s.is_open[j] and goes_on and wanted:
            pulses.go_on(p, w, j)
        elif s.is_open[j]:
            w.cut[j] = 1
            pulses.give(w, j, p.tail * s.strength)
