"""Valves: from switchings to thrust.

A valve that switches moves its opening linearly to 1 (rise time) or 0 (fall time): that is the filling and emptying
of its chamber. It lets gas out of the plenum from the moment it begins to open to the moment it begins to close.
Thrust is the opening times the strength that the plenum gives (plenum.py). Impulse and its first moment are summed in
closed form between the events at which anything bends, whatever the step: a switching, or a valve that has arrived. A
leak is a small hole beside the seat that is always open.
"""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.messages import MAX_VALVES, NS_PER_S, S_PER_NS
from testbed.model.bits import lowest
from testbed.model.plenum import rest_plenum, set_flow, strength_integrals
from testbed.model.records import MAX_EVENTS

FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE = 0, 1, 2, 3
"""Rows of state.thrust, shape (4, 3): mean and slope over the step of force (N, N/s) and torque (N·m), body axes."""
CLOSE, OPEN, ARRIVE = 0, 1, 2
"""Kinds of events."""
NEVER: Final = 2**62
"""Time of an event that is not to come."""
FREE, STUCK_OPEN, STUCK_CLOSED = 0, 1, 2
"""Values of vehicle.valve_stuck."""


@njit(cache=True, forceinline=True, error_model="numpy")
def add_switching(state: Any, valve: int, time: int, kind: int) -> None:
    """Let a valve begin to open (OPEN) or CLOSE at `time` (ns), but never before an earlier switching of its own."""
    time = max(time, state.last_switching[valve])
    state.last_switching[valve] = time
    insert_event(state, valve, time, kind)


@njit(cache=True, forceinline=True, error_model="numpy")
def insert_event(state: Any, valve: int, time: int, kind: int) -> None:
    """Put an event in its place; the list runs from the last event to the next one, older before newer at one time.

    There is room for more than any schedule makes with delays up to 0.1 s but for one that is out to break things: then
    a valve's event takes the place of its last, so that what it was told last still holds.
    """
    if state.event_count == MAX_EVENTS:
        drop_last(state, valve)
    place = state.event_count
    while place > 0 and state.event_time[place - 1] <= time:
        state.event_time[place] = state.event_time[place - 1]
        state.event_valve[place] = state.event_valve[place - 1]
        state.event_kind[place] = state.event_kind[place - 1]
        place -= 1
    state.event_time[place], state.event_valve[place], state.event_kind[place] = time, valve, kind
    state.event_count += 1
    state.next_event = state.event_time[state.event_count - 1]


@njit(cache=True, error_model="numpy")
def drop_last(state: Any, valve: int) -> None:
    """Drop the last event of a valve; if it has none, the last of all, whose valve then stays as it is."""
    place = 0
    for k in range(state.event_count - 1, -1, -1):
        if state.event_valve[k] == valve:
            place = k
    take_out(state, place)


@njit(cache=True, error_model="numpy")
def take_out(state: Any, place: int) -> None:
    """Take an event out of the list."""
    state.event_count -= 1
    for k in range(place, state.event_count):
        state.event_time[k] = state.event_time[k + 1]
        state.event_valve[k] = state.event_valve[k + 1]
        state.event_kind[k] = state.event_kind[k + 1]
    state.next_event = state.event_time[state.event_count - 1] if state.event_count > 0 else NEVER


@njit(cache=True, error_model="numpy")
def move_valves(vehicle: Any, state: Any, stamp: int, end: int) -> None:
    """Move the valves from `stamp` to `end` (ns) and fill state.thrust, linear in time with exact impulse and moment.

    Where nothing pushes and nothing switches, state.thrust is left alone and state.thrusting is 0. Impulses of single
    valves over this step are in state.step_impulse (s, of nominal thrust), and add up in state.valve_impulse (N·s).
    """
    state.thrusting = 0
    if state.moving == 0 and state.next_event >= end and state.plumed == 0:
        return
    state.thrusting = 1
    rest_plenum(vehicle, state, stamp)
    for v in range(MAX_VALVES):
        state.step_impulse[v] = state.step_moment[v] = 0.0
    state.used = state.moving
    state.strength_sum = state.strength_moment = 0.0
    time = stamp
    middle = (stamp + end) // 2
    while state.next_event < end:
        event = max(time, state.next_event)
        if event > time:
            let_out(vehicle, state, (event - time) * S_PER_NS, (time - middle) * S_PER_NS)
            time = event
        take_event(vehicle, state, time)
    let_out(vehicle, state, (end - time) * S_PER_NS, (time - middle) * S_PER_NS)
    state.plenum_stamp = end
    add_up_thrust(vehicle, state, (end - stamp) * S_PER_NS)


@njit(cache=True, forceinline=True, error_model="numpy")
def let_out(vehicle: Any, state: Any, step: float, begin: float) -> None:
    """Let `step` s go by, `begin` s after the middle of the whole step, in which nothing bends."""
    one, two, three = strength_integrals(vehicle, state, step)
    state.strength_sum += one
    state.strength_moment += begin * one + two
    ramping = state.ramping
    while ramping:
        v = lowest(ramping)
        ramping &= ramping - 1
        opening, speed = state.opening[v] - vehicle.valve_leak[v], state.opening_speed[v]
        impulse = opening * one + speed * two
        state.step_impulse[v] += impulse
        state.step_moment[v] += begin * impulse + opening * two + speed * three
        state.opening[v] += speed * step


@njit(cache=True, forceinline=True, error_model="numpy")
def take_event(vehicle: Any, state: Any, time: int) -> None:
    """Carry out the next event, at `time` (ns)."""
    last = state.event_count - 1
    valve, kind = state.event_valve[last], state.event_kind[last]
    state.event_count = last
    state.next_event = state.event_time[last - 1] if last > 0 else NEVER
    if kind == ARRIVE:
        arrive(vehicle, state, valve)
    elif vehicle.valve_stuck[valve] == FREE:
        set_target(vehicle, state, valve, kind, time)


@njit(cache=True, forceinline=True, error_model="numpy")
def set_target(vehicle: Any, state: Any, valve: int, target: int, time: int) -> None:
    """Let a valve begin to open (1) or to close (0) at `time` (ns)."""
    bit = 1 << valve
    if target == (state.flowing >> valve & 1):
        return
    state.flowing ^= bit
    state.moving |= bit
    state.used |= bit
    if state.steady & bit:
        state.steady ^= bit
        state.step_impulse[valve] += state.strength_sum
        state.step_moment[valve] += state.strength_moment
    set_flow(vehicle, state, state.flow + (vehicle.valve_flow[valve] if target else -vehicle.valve_flow[valve]))
    if state.ramping & bit:  # on its way back: it will not arrive where it was going
        for k in range(state.event_count):
            if state.event_valve[k] == valve and state.event_kind[k] == ARRIVE:
                take_out(state, k)
                break
    lasting = vehicle.rise_time if target else vehicle.fall_time
    if lasting == 0.0:
        arrive(vehicle, state, valve)
        return
    leak = vehicle.valve_leak[valve]
    opening = state.opening[valve] - leak
    way = 1.0 - opening if target else opening
    state.opening_speed[valve] = (1.0 if target else -1.0) / lasting
    state.ramping |= bit
    insert_event(state, valve, time + round(way * lasting * NS_PER_S), ARRIVE)


@njit(cache=True, forceinline=True, error_model="numpy")
def arrive(vehicle: Any, state: Any, valve: int) -> None:
    """Let a valve be where it was going."""
    opens, leak = state.flowing >> valve & 1, vehicle.valve_leak[valve]
    state.opening_speed[valve] = 0.0
    state.ramping &= ~(1 << valve)
    state.opening[valve] = opens + leak
    if opens:  # from now on it has its share of all that comes
        state.steady |= 1 << valve
        state.step_impulse[valve] -= state.strength_sum
        state.step_moment[valve] -= state.strength_moment
    if not opens and leak == 0.0:
        state.moving &= ~(1 << valve)
        if state.moving == 0:
            set_flow(vehicle, state, 0.0)  # exactly


@njit(cache=True, forceinline=True, error_model="numpy")
def add_up_thrust(vehicle: Any, state: Any, duration: float) -> None:
    """Add up the impulses of single valves, and the plumes of others, to the thrust on the body."""
    per_time, per_moment = 1.0 / duration, 12.0 / (duration * duration * duration)
    thrust, push, turn = state.thrust, state.plume_force, state.plume_torque
    fx, fy, fz, tx, ty, tz = push[0], push[1], push[2], turn[0], turn[1], turn[2]
    fx_slope = fy_slope = fz_slope = tx_slope = ty_slope = tz_slope = 0.0
    used, steady, sum_, sum_moment = state.used, state.steady, state.strength_sum, state.strength_moment
    state.fired |= used != 0
    while used:
        v = lowest(used)
        used &= used - 1
        share = vehicle.valve_leak[v] + (steady >> v & 1)
        impulse = state.step_impulse[v] + share * sum_
        moment = state.step_moment[v] + share * sum_moment
        state.step_impulse[v], state.step_moment[v] = impulse, moment
        state.valve_impulse[v] += vehicle.valve_thrust[v] * impulse
        mean, slope = impulse * per_time, moment * per_moment
        force, torque = vehicle.valve_force[v], vehicle.valve_torque[v]
        fx, fy, fz = fx + mean * force[0], fy + mean * force[1], fz + mean * force[2]
        tx, ty, tz = tx + mean * torque[0], ty + mean * torque[1], tz + mean * torque[2]
        fx_slope, fy_slope, fz_slope = (
            fx_slope + slope * force[0],
            fy_slope + slope * force[1],
            fz_slope + slope * force[2],
        )
        tx_slope, ty_slope, tz_slope = (
            tx_slope + slope * torque[0],
            ty_slope + slope * torque[1],
            tz_slope + slope * torque[2],
        )
    thrust[FORCE, 0], thrust[FORCE, 1], thrust[FORCE, 2] = fx, fy, fz
    thrust[FORCE_SLOPE, 0], thrust[FORCE_SLOPE, 1], thrust[FORCE_SLOPE, 2] = fx_slope, fy_slope, fz_slope
    thrust[TORQUE, 0], thrust[TORQUE, 1], thrust[TORQUE, 2] = tx, ty, tz
    thrust[TORQUE_SLOPE, 0], thrust[TORQUE_SLOPE, 1], thrust[TORQUE_SLOPE, 2] = tx_slope, ty_slope, tz_slope


@njit(cache=True, error_model="numpy")
def apply_valve_faults(vehicle: Any, state: Any, freed: int, stamp: int) -> None:
    """Take in vehicle.valve_stuck and vehicle.valve_leak after they were changed, at the beginning of a tick.

    freed: bit mask of the valves that are no longer stuck; they go where they are commanded to be. All others that are
    not stuck stay on their way.
    """
    rest_plenum(vehicle, state, stamp)
    follow(vehicle, state, (state.flowing & ~freed) | (state.commanded & freed), stamp)


@njit(cache=True, error_model="numpy")
def follow(vehicle: Any, state: Any, commanded: int, stamp: int) -> None:
    """Let every valve go where it is commanded to be (bit mask) or where its fault has it, without delay."""
    flow = 0.0
    for v in range(vehicle.valve_count):
        stuck, leak = vehicle.valve_stuck[v], vehicle.valve_leak[v]
        target = (commanded >> v & 1) if stuck == FREE else (1 if stuck == STUCK_OPEN else 0)
        set_target(vehicle, state, v, target, stamp)
        if state.opening_speed[v] == 0.0:
            state.opening[v] = target + leak
            if state.opening[v] > 0.0:
                state.moving |= 1 << v
            else:
                state.moving &= ~(1 << v)
        flow += vehicle.valve_flow[v] * (target + leak)
    set_flow(vehicle, state, flow)


@njit(cache=True, error_model="numpy")
def rest_valves(vehicle: Any, state: Any, stamp: int) -> None:
    """Close all valves at once, without delay, and forget the events still to come; faults stay."""
    state.flowing = state.moving = state.ramping = state.steady = state.event_count = 0
    state.next_event = NEVER
    for v in range(MAX_VALVES):
        state.opening[v] = state.opening_speed[v] = 0.0
        state.last_switching[v] = 0
    rest_plenum(vehicle, state, stamp)
    follow(vehicle, state, 0, stamp)
