"""Latches from command to rigid joint and back: engage, seat, join, release.

A latch holds while both of its ports are engaged, and lets go as soon as either is not. Letting go changes no velocity,
and what overlaps at that moment does not push (contact_pool.py, `contact_slack`).
"""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.model.joined import join, separate
from testbed.model.ports import Phase, seated

_OPEN, _CAPTURING, _JOINED = (int(phase) for phase in Phase)


@njit(cache=True)
def command_latch(
    world: Any, vehicles: Any, world_state: Any, states: Any, index: int, port: int, engaged: bool, now: int
) -> None:
    """Engage or release a port of a vehicle at `now` (ns); one that is stuck only remembers what it was told."""
    states[index].port_wanted[port] = 1 if engaged else 0
    if vehicles[index].port_stuck[port]:
        return
    if bool(states[index].port_engaged[port]) == engaged:
        return
    states[index].port_engaged[port] = 1 if engaged else 0
    world_state.latch_changes += 1
    latch = states[index].port_latch[port]
    if latch >= 0 and not engaged:
        release(world, vehicles, world_state, states, latch, now)


@njit(cache=True)
def release(world: Any, vehicles: Any, world_state: Any, states: Any, latch: int, now: int) -> None:
    """Open a latch; what it held together moves on as it did."""
    a, b = world_state.latch_first[latch], world_state.latch_second[latch]
    joined = world_state.latch_phase[latch] == _JOINED
    world_state.latch_phase[latch] = _OPEN
    world_state.latch_changes += 1
    states[a].port_latch[world_state.latch_first_port[latch]] = -1
    states[b].port_latch[world_state.latch_second_port[latch]] = -1
    if joined:
        separate(world_state, vehicles, states, states[a].root, _JOINED, now)


@njit(cache=True)
def release_all(world: Any, vehicles: Any, world_state: Any, states: Any, index: int, now: int) -> None:
    """Open every latch of a vehicle."""
    for port in range(vehicles[index].port_count):
        latch = states[index].port_latch[port]
        if latch >= 0:
            release(world, vehicles, world_state, states, latch, now)


@njit(cache=True)
def seat_latches(vehicles: Any, world_state: Any, states: Any, end: int) -> None:
    """At the `end` (ns) of a tick make those latches rigid that have been seated for long enough."""
    for latch in range(world_state.latch_count):
        if world_state.latch_phase[latch] != _CAPTURING:
            continue
        a, b = world_state.latch_first[latch], world_state.latch_second[latch]
        same = states[a].root == states[b].root
        if not same and not seated(vehicles, world_state, states, latch):
            world_state.latch_seated[latch] = 0
            continue
        world_state.latch_seated[latch] += 1
        needed = max(
            vehicles[a].port_seated_ticks[world_state.latch_first_port[latch]],
            vehicles[b].port_seated_ticks[world_state.latch_second_port[latch]],
        )
        if same or world_state.latch_seated[latch] >= needed:
            world_state.latch_phase[latch], world_state.latch_stamp[latch] = _JOINED, end
            world_state.latch_changes += 1
            if not same:
                join(world_state, vehicles, states, a, b)
