"""What the valves do to the vehicle, as the estimator believes it: as commanded, or as reported open.

Delay and ramp of a valve are taken together as one shift: a pulse commanded from a to b acts as a rectangle of full
thrust from a + opening delay + half the rise to b + closing delay + half the fall. The impulse is that of the ramp,
exactly for any pulse that reaches full thrust. How far the supply sags meanwhile is that of modulation/supply.py.
"""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.estimation.layout import HISTORY, MAX_PULSES
from testbed.flight.estimation.thrust_errors import add_shared_error, add_valve_error, forget
from testbed.flight.modulation import supply

TOO_FAR_NS = NS_PER_S // 2
"""A schedule that starts later than this is refused by every plant, so it is here."""
DEADMAN_NS = NS_PER_S // 4
"""A schedule that does not close its valves is ended by the plant's deadman."""
NEVER = 1 << 62
"""A stamp after all others, ns."""


@njit(cache=True)
def accept_schedule(p: Any, s: Any, schedule: Any) -> None:
    """Take the commanded valves from `schedule` (SCHEDULE), in place of what is left of older ones after its stamp.

    Refused, as by the plant: stamp zero, before the last gyro sample, or more than 0.5 s after it. count 0 closes now.
    Passed over where the estimator goes by reports.
    """
    if p.valves_reported:
        return
    now = s.now.stamp
    begin = schedule.stamp
    if schedule.count == 0:
        begin = now
    elif begin == 0 or begin < now or begin > now + TOO_FAR_NS:
        return
    _cut(s, begin)
    for valve in range(p.push.shape[0]):
        opened = -1
        for point in range(schedule.count):
            when = begin + schedule.offset[point]
            commanded = schedule.open[point, valve] != 0
            if commanded and opened < 0:
                opened = when
            elif not commanded and opened >= 0:
                _add(s, valve, opened, when)
                opened = -1
        if opened >= 0:
            _add(s, valve, opened, begin + DEADMAN_NS)


@njit(cache=True)
def accept_report(p: Any, s: Any, report: Any) -> None:
    """Take from `report` (VALVES) which valves are open, where the estimator goes by reports.

    A valve reported open stays so until another report, at most as long as the deadman lets it. Passed over: a report
    older than the last, or more than 0.5 s after the last gyro sample.
    """
    late = report.stamp < s.report_stamp or (s.started and report.stamp > s.now.stamp + TOO_FAR_NS)
    if late or not p.valves_reported:
        return
    s.report_stamp = report.stamp
    for valve in range(p.valve_count):
        pulse = -1
        for k in range(s.pulse_count):
            if s.pulse_valve[k] == valve and s.pulse_close[k] > report.stamp:
                pulse = k
        is_open = report.open[valve] != 0
        if pulse >= 0:
            s.pulse_close[pulse] = report.stamp + DEADMAN_NS if is_open else report.stamp
        elif is_open:
            _add(s, valve, report.stamp, report.stamp + DEADMAN_NS)


@njit(cache=True)
def _cut(s: Any, when: int) -> None:
    """Forget what was commanded from `when` on."""
    kept = 0
    for k in range(s.pulse_count):
        if s.pulse_open[k] < when:
            s.pulse_valve[kept] = s.pulse_valve[k]
            s.pulse_open[kept] = s.pulse_open[k]
            s.pulse_close[kept] = min(s.pulse_close[k], when)
            kept += 1
    s.pulse_count = kept


@njit(cache=True)
def _add(s: Any, valve: int, opened: int, closed: int) -> None:
    """Add a pulse; one that starts where another of the same valve ends goes on without an edge."""
    for k in range(s.pulse_count):
        if s.pulse_valve[k] == valve and s.pulse_close[k] == opened:
            s.pulse_close[k] = closed
            return
    if s.pulse_count < MAX_PULSES:
        k = s.pulse_count
        s.pulse_valve[k] = valve
        s.pulse_open[k] = opened
        s.pulse_close[k] = closed
        s.pulse_count += 1


@njit(cache=True)
def push_over_interval(p: Any, s: Any, number: int) -> None:
    """Fill the history interval `number` with the mean push of the valves, its uncertainty and when they fire.

    Push: acceleration along body axes, m/s². Uncertainty: see thrust_errors.py.
    """
    slot = number & (HISTORY - 1)
    start, stop = s.history_start[slot], s.history_stop[slot]
    dt = 1e-9 * (stop - start)
    push = s.history_push[slot]
    push[:] = 0.0
    forget(p, s, dt)
    s.history_pushed[slot] = 0
    s.supply.time = s.supply.sum = s.supply.draw = 0.0
    if s.pulse_count == 0:
        supply.go_to(p.supply, s.supply, dt)
        return
    clear_noise(s, slot)
    kept = 0
    for k in range(s.pulse_count):
        s.pulse_from[k] = max(s.pulse_open[k] + p.opening_shift, start)
        s.pulse_until[k] = min(s.pulse_close[k] + p.closing_shift, stop)
    _let_out(p, s, start, stop)
    for k in range(s.pulse_count):
        if s.pulse_until[k] > s.pulse_from[k]:
            valve = s.pulse_valve[k]
            share = s.pulse_given[k] / dt
            first, last = s.pulse_open[k] + p.opening_shift, s.pulse_close[k] + p.closing_shift
            s.history_open_from[slot, valve] = min(s.history_open_from[slot, valve], first)
            s.history_open_until[slot, valve] = max(s.history_open_until[slot, valve], last)
            for i in range(3):
                push[i] += share * p.push[valve, i]
            add_valve_error(p, s, slot, valve, share, dt)
            s.history_pushed[slot] = 1
    if s.history_pushed[slot]:
        add_shared_error(p, s, slot, dt)
    for k in range(s.pulse_count):  # forget what is over
        if s.pulse_close[k] + p.closing_shift > stop:
            s.pulse_valve[kept] = s.pulse_valve[k]
            s.pulse_open[kept] = s.pulse_open[k]
            s.pulse_close[kept] = s.pulse_close[k]
            kept += 1
    s.pulse_count = kept


@njit(cache=True)
def _let_out(p: Any, s: Any, start: int, stop: int) -> None:
    """Let the pulses go by from edge to edge of the interval from `start` to `stop` (ns), and say what each gives."""
    now = start
    while True:
        later, draw = stop, 0.0
        for k in range(s.pulse_count):
            first, last = s.pulse_from[k], s.pulse_until[k]
            if last > first:
                if first == now:
                    s.pulse_base[k] = s.supply.sum
                elif last == now:
                    s.pulse_given[k] = s.supply.sum - s.pulse_base[k]
                if first <= now < last:
                    draw += p.supply.draw[s.pulse_valve[k]]
                if now < first < later:
                    later = first
                elif now < last < later:
                    later = last
        if now == stop:
            return
        s.supply.draw = draw
        supply.go_to(p.supply, s.supply, 1e-9 * (later - start))
        now = later


@njit(cache=True)
def clear_noise(s: Any, slot: int) -> None:
    """Say that nothing pushes in the history interval at `slot`, before what does is added."""
    for i in range(3):
        for j in range(3):
            s.history_noise[slot, i, j] = 0.0
    for valve in range(s.history_open_from.shape[1]):
        s.history_open_from[slot, valve] = NEVER
        s.history_open_until[slot, valve] = 0


@njit(cache=True)
def loudness_at(p: Any, s: Any, number: int, receiver: int, arrival: int) -> float:
    """How much own valves make the variance of a range grow that came at `arrival` (ns) in interval `number`, fraction.

    The power of all valves adds up, of each as far as it is likely to be open then. Of a pulse that goes on into the
    next interval that one knows the end.
    """
    total = 0.0
    for valve in range(p.valve_count):
        share, begun = 0.0, NEVER
        for near in range(min(number + 2, s.history_end) - 1, max(number - 1, s.history_first) - 1, -1):
            slot = near & (HISTORY - 1)
            if s.history_pushed[slot] and s.history_open_from[slot, valve] != begun:
                begun = s.history_open_from[slot, valve]
                over = _likely(p, s.history_open_until[slot, valve] - arrival)
                share = max(share, _likely(p, arrival - begun) * over)
        total += p.range_loudness[receiver, valve] * share
    return total


@njit(cache=True)
def _likely(p: Any, since: int) -> float:
    """Likelihood that an edge is over which is expected so many ns ago."""
    return min(max(0.5 + 0.5 * since / p.edge_doubt, 0.0), 1.0)
