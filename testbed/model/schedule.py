"""Valve schedules: accepted or refused, merged into the points still to come, carried out, cut off by the deadman."""

from __future__ import annotations

from enum import IntEnum
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import MAX_POINTS, MAX_VALVES, NS_PER_S, S_PER_NS
from testbed.model.bits import lowest
from testbed.model.records import MAX_EDGES_LOGGED, MAX_PENDING_POINTS
from testbed.model.valves import add_switching

FURTHEST_AHEAD_NS: Final = 500_000_000
"""A schedule's stamp may lie this far ahead."""
LONGEST_NS: Final = 200_000_000
"""A schedule's last point may lie this far after its stamp."""
DEADMAN_NS: Final = 250_000_000
"""Without a fresh schedule for this long all valves close."""


class Verdict(IntEnum):
    """What became of a schedule; all but the first: refused."""

    ACCEPTED = 0
    STAMP_ZERO = 1
    PAST = 2
    TOO_FAR = 3
    MALFORMED = 4
    NO_POWER = 5


_ACCEPTED, _STAMP_ZERO, _PAST, _TOO_FAR, _MALFORMED, _NO_POWER = (int(verdict) for verdict in Verdict)


@njit(cache=True)
def accept_schedule(vehicle: Any, state: Any, schedule: Any, now: int) -> int:
    """Take a schedule that arrives at `now` (ns): from its stamp on it replaces what is left of older ones.

    Returns the Verdict, which is counted in state.verdicts. A schedule without points closes all valves now.
    """
    verdict = judge_schedule(vehicle, state, schedule, now)
    state.verdicts[verdict] += 1
    if verdict != _ACCEPTED:
        return verdict
    state.last_schedule = now
    if schedule.count == 0:
        close_valves(state, now)
        return verdict
    kept = points_before(state, schedule.stamp)
    for k in range(schedule.count):
        state.point_stamp[kept + k] = schedule.stamp + schedule.offset[k]
        state.point_open[kept + k] = open_mask(schedule, k)
    state.point_count = kept + schedule.count
    return verdict


@njit(cache=True)
def judge_schedule(vehicle: Any, state: Any, schedule: Any, now: int) -> int:
    """Return the Verdict on a schedule without taking it."""
    count = schedule.count
    if count == 0:
        return _ACCEPTED
    if state.power_off:
        return _NO_POWER
    if schedule.stamp == 0:
        return _STAMP_ZERO
    if schedule.stamp < now:
        return _PAST
    if schedule.stamp > now + FURTHEST_AHEAD_NS:
        return _TOO_FAR
    if count < 0 or count > MAX_POINTS or schedule.offset[0] < 0 or schedule.offset[count - 1] > LONGEST_NS:
        return _MALFORMED
    for k in range(1, count):
        if schedule.offset[k] <= schedule.offset[k - 1]:
            return _MALFORMED
    mask = 0
    for k in range(count):
        mask = open_mask(schedule, k)
        if not 0 <= mask < 1 << vehicle.valve_count:
            return _MALFORMED
    if mask != 0 or points_before(state, schedule.stamp) + count > MAX_PENDING_POINTS:
        return _MALFORMED
    return _ACCEPTED


@njit(cache=True, forceinline=True, error_model="numpy")
def open_mask(schedule: Any, point: int) -> int:
    """Valves open at one point of a schedule, as a bit mask; -1 if any entry is neither 0 nor 1."""
    mask = others = 0
    for v in range(MAX_VALVES):
        value = int(schedule.open[point, v])
        mask |= value << v
        others |= value >> 1
    return mask if others == 0 else -1


@njit(cache=True, forceinline=True, error_model="numpy")
def points_before(state: Any, stamp: int) -> int:
    """Number of points still to come before `stamp` (ns)."""
    count = state.point_count
    while count > 0 and state.point_stamp[count - 1] >= stamp:
        count -= 1
    return count


@njit(cache=True)
def close_valves(state: Any, now: int) -> None:
    """Command all valves closed at `now` (ns) and drop every point still to come."""
    kept = points_before(state, now)
    state.point_stamp[kept] = now
    state.point_open[kept] = 0
    state.point_count = kept + 1


@njit(cache=True, forceinline=True, error_model="numpy")
def command_valves(vehicle: Any, state: Any, stamp: int, end: int, noise: NDArray[np.float64]) -> float:
    """Carry out the points from `stamp` to before `end` (ns): log commanded edges and set the switchings they cause.

    noise: standard normals for the jitter of the delays, shape (MAX_VALVES, 2): opening, closing. Returns the sum over
    valves of the time commanded open, s.
    """
    state.edge_count = 0
    if (state.point_count == 0 or state.point_stamp[0] >= end) and state.last_schedule + DEADMAN_NS >= end:
        return state.commanded_count * (end - stamp) * S_PER_NS  # nothing new, as in most ticks
    deadline = max(stamp, state.last_schedule + DEADMAN_NS)
    if deadline < end and opens_from(state, deadline):
        close_valves(state, deadline)
        state.deadman_closings += 1
    valve_ns = 0
    time = stamp
    taken = 0
    while taken < state.point_count and state.point_stamp[taken] < end:
        point = max(state.point_stamp[taken], stamp)
        valve_ns += state.commanded_count * (point - time)
        time = point
        command(vehicle, state, point, state.point_open[taken], noise)
        taken += 1
    valve_ns += state.commanded_count * (end - time)
    for k in range(taken, state.point_count):
        state.point_stamp[k - taken] = state.point_stamp[k]
        state.point_open[k - taken] = state.point_open[k]
    state.point_count -= taken
    return valve_ns * S_PER_NS


@njit(cache=True)
def opens_from(state: Any, stamp: int) -> bool:
    """Whether any valve is commanded open at `stamp` (ns) or would be opened by a later point."""
    before = points_before(state, stamp)
    current = state.point_open[before - 1] if before > 0 else state.commanded
    if current != 0:
        return True
    later = 0
    for k in range(before, state.point_count):
        later |= state.point_open[k]
    return later != 0


@njit(cache=True, forceinline=True, error_model="numpy")
def command(vehicle: Any, state: Any, stamp: int, mask: int, noise: NDArray[np.float64]) -> None:
    """Set the valves commanded open to `mask` at `stamp` (ns)."""
    changed = state.commanded ^ mask
    state.commanded = mask
    while changed:
        v = lowest(changed)
        changed &= changed - 1
        opens = mask >> v & 1
        state.commanded_count += 2 * opens - 1
        delay = vehicle.opening_delay if opens else vehicle.closing_delay
        delay += vehicle.valve_delay[v] + vehicle.delay_jitter * noise[v, 1 - opens]
        add_switching(state, v, stamp + round(max(0.0, delay) * NS_PER_S), opens)
        log_edge(state, v, stamp, opens)


@njit(cache=True, forceinline=True, error_model="numpy")
def log_edge(state: Any, valve: int, stamp: int, opens: int) -> None:
    """Log a commanded edge; edges beyond the room in the log are counted."""
    place = state.edge_count
    if place == MAX_EDGES_LOGGED:
        state.edges_lost += 1
        return
    state.edge_valve[place], state.edge_stamp[place], state.edge_open[place] = valve, stamp, opens
    state.edge_count = place + 1
