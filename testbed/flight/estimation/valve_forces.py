"""What the commanded valves do to the vehicle, as the estimator believes it.

Delay and ramp of a valve are taken together as one shift: a pulse commanded from a to b acts as a rectangle of full
thrust from a + opening delay + half the rise to b + closing delay + half the fall. The impulse is that of the ramp,
exactly for any pulse that reaches full thrust.
"""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.flight.estimation.layout import HISTORY, MAX_PULSES

TOO_FAR_NS = NS_PER_S // 2
"""A schedule that starts later than this is refused by every plant, so it is here."""
DEADMAN_NS = NS_PER_S // 4
"""A schedule that does not close its valves is ended by the plant's deadman."""
NEVER = 1 << 62
"""A stamp after all others, ns."""
FIRING_MARGIN_NS = 2_000_000
"""Noise of a firing valve counts this long before and after the believed pulse."""
THRUST_ERROR_TIME = 1.0
"""Correlation time for which the unknown part of the thrust counts as noise, s: about a stretch of pushing one way."""


@njit(cache=True)
def accept_schedule(p: Any, s: Any, schedule: Any) -> None:
    """Take the commanded valves from `schedule` (SCHEDULE), in place of what is left of older ones after its stamp.

    Refused, as by the plant: stamp zero, before the last gyro sample, or more than 0.5 s after it. count 0 closes now.
    """
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

    Push: acceleration along body axes, m/s². Uncertainty: power spectral density of the velocity noise, m²/s³.
    """
    slot = number & (HISTORY - 1)
    start, stop = s.history_start[slot], s.history_stop[slot]
    push = s.history_push[slot]
    push[:] = 0.0
    s.history_noise[slot] = 0.0
    s.history_firing_from[slot], s.history_firing_until[slot] = NEVER, -NEVER
    kept = 0
    for k in range(s.pulse_count):
        first, last = s.pulse_open[k] + p.opening_shift, s.pulse_close[k] + p.closing_shift
        s.pulse_from[k], s.pulse_until[k] = max(first, start), min(last, stop)
        if last + FIRING_MARGIN_NS > start and first - FIRING_MARGIN_NS < stop:
            s.history_firing_from[slot] = min(s.history_firing_from[slot], first - FIRING_MARGIN_NS)
            s.history_firing_until[slot] = max(s.history_firing_until[slot], last + FIRING_MARGIN_NS)
    squares = 0.0
    for k in range(s.pulse_count):
        open_for = float(s.pulse_until[k] - s.pulse_from[k])
        if open_for > 0.0:
            share = (open_for - p.sag_per_valve * _others_open(s, k)) / (stop - start)
            for i in range(3):
                part = share * p.push[s.pulse_valve[k], i]
                push[i] += part
                squares += abs(part * p.push[s.pulse_valve[k], i])
    s.history_noise[slot] = 2.0 * THRUST_ERROR_TIME * p.thrust_error * p.thrust_error * squares
    for k in range(s.pulse_count):  # forget what is over
        if s.pulse_close[k] + p.closing_shift + FIRING_MARGIN_NS > stop:
            s.pulse_valve[kept] = s.pulse_valve[k]
            s.pulse_open[kept] = s.pulse_open[k]
            s.pulse_close[kept] = s.pulse_close[k]
            kept += 1
    s.pulse_count = kept


@njit(cache=True)
def _others_open(s: Any, k: int) -> float:
    """Sum over the other pulses of the time for which they overlap with pulse `k` in the interval in work, ns."""
    total = 0.0
    for other in range(s.pulse_count):
        if other != k:
            overlap = min(s.pulse_until[k], s.pulse_until[other]) - max(s.pulse_from[k], s.pulse_from[other])
            total += max(0.0, float(overlap))
    return total


@njit(cache=True)
def fired_during(s: Any, number: int, begin: int, end: int) -> bool:
    """Whether own valves are believed to fire between `begin` and `end` (ns); `end` lies in the interval `number`.

    Looks back two intervals: 20 ms or 7 m of a chirp's flight.
    """
    number = min(number, s.history_end - 1)
    for k in range(max(number - 2, s.history_first), number + 1):
        slot = k & (HISTORY - 1)
        if s.history_firing_from[slot] <= end and s.history_firing_until[slot] >= begin:
            return True
    return False
