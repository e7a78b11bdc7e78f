"""The ranges of the last cycles, kept together while the vehicle is being searched for."""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.messages import MAX_RANGES, NS_PER_S
from testbed.flight.estimation.layout import HISTORY

WINDOW_NS: Final = 5 * NS_PER_S // 2
"""Ranges of this last stretch of time are fitted together; in it only pushes change the velocity."""


@njit(cache=True)
def remember_cycle(s: Any) -> None:
    """Add the collected cycle to the window; what is too old or without gyro samples leaves it."""
    if s.history_end == s.history_first:
        s.window_count = 0
        return
    begin = s.history_start[s.history_first & (HISTORY - 1)]
    end = s.history_stop[(s.history_end - 1) & (HISTORY - 1)]
    _drop(s, max(begin, end - WINDOW_NS), MAX_RANGES - s.cycle_count)
    for k in range(s.cycle_count):
        if begin <= s.cycle_arrival[k] <= end:
            place = s.window_count
            s.window_beacon[place] = s.cycle_beacon[k]
            s.window_receiver[place] = s.cycle_receiver[k]
            s.window_arrival[place] = s.cycle_arrival[k]
            s.window_distance[place] = s.cycle_distance[k]
            s.window_count += 1


@njit(cache=True)
def _drop(s: Any, begin: int, room: int) -> None:
    """Drop from the window what arrived before `begin` (ns), and the oldest beyond `room` ranges."""
    kept = 0
    for k in range(s.window_count):
        if s.window_arrival[k] >= begin and s.window_count - k <= room:
            s.window_beacon[kept] = s.window_beacon[k]
            s.window_receiver[kept] = s.window_receiver[k]
            s.window_arrival[kept] = s.window_arrival[k]
            s.window_distance[kept] = s.window_distance[k]
            kept += 1
    s.window_count = kept


@njit(cache=True)
def keep_last_cycle(s: Any) -> None:
    """Start anew with the last cycle: no pose fits the window, as when the vehicle was carried meanwhile."""
    if s.cycle_count > 0:
        _drop(s, s.cycle_arrival[0], MAX_RANGES)
