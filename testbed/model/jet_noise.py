"""How loud the jets of open valves are at an ultrasound receiver: the power of each falls with distance squared."""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.messages import NS_PER_S, S_PER_NS
from testbed.description.rotation import rotate
from testbed.model.valves import ARRIVE, FREE

NEAREST: Final = 0.03
"""Distance below which a nozzle gets no louder, m: the size of the jet itself."""


@njit(cache=True)
def loudness(world: Any, vehicles: Any, states: Any, index: int, receiver: int, stamp: int, arrival: int) -> float:
    """Noise power at a receiver of vehicle `index`; 1 is that of one fully open nozzle at world.valve_distance.

    Nozzles of all vehicles sound, in proportion to their opening at `arrival` (ns, in the tick from `stamp`), in all
    directions and unhindered, from where they are at `stamp`; powers add up, for jets are not in step with each other.
    """
    place = rotate(states[index].orientation, vehicles[index].receiver_position[receiver])
    position = states[index].position
    total = 0.0
    for source in range(len(vehicles)):
        vehicle, state = vehicles[source], states[source]
        if state.moving == 0 and state.next_event > arrival and state.point_count == 0:
            continue
        for v in range(vehicle.valve_count):
            opening = opening_at(vehicle, state, v, stamp, arrival)
            if opening > 0.0:
                nozzle = rotate(state.orientation, vehicle.nozzle_position[v])
                x = state.position[0] + nozzle[0] - position[0] - place[0]
                y = state.position[1] + nozzle[1] - position[1] - place[1]
                z = state.position[2] + nozzle[2] - position[2] - place[2]
                total += opening / max(x * x + y * y + z * z, NEAREST * NEAREST)
    return total * world.valve_distance * world.valve_distance


@njit(cache=True)
def opening_at(vehicle: Any, state: Any, valve: int, stamp: int, time: int) -> float:
    """Opening of a valve at `time` (ns), which lies in the tick from `stamp` that is about to be advanced.

    What is commanded within this very tick is taken to come with the usual delay, as its jitter is not drawn yet.
    """
    leak = vehicle.valve_leak[valve]
    opening, at = state.opening[valve] - leak, stamp
    rates = -1.0 / max(vehicle.fall_time, S_PER_NS), 1.0 / max(vehicle.rise_time, S_PER_NS)
    speed = state.opening_speed[valve]
    if vehicle.valve_stuck[valve] == FREE:
        for k in range(state.event_count - 1, -1, -1):
            event = state.event_time[k]
            if event <= time and state.event_valve[k] == valve and state.event_kind[k] != ARRIVE:
                opening, at = moved(opening, speed, event - at), event
                speed = rates[state.event_kind[k]]
        commanded = state.commanded >> valve & 1
        for k in range(state.point_count):
            told = state.point_open[k] >> valve & 1
            if told != commanded:
                commanded = told
                delay = vehicle.valve_delay[valve] + (vehicle.opening_delay if told else vehicle.closing_delay)
                event = max(state.point_stamp[k] + round(max(0.0, delay) * NS_PER_S), at)
                if event > time:
                    break
                opening, at, speed = moved(opening, speed, event - at), event, rates[told]
    return moved(opening, speed, time - at) + leak


@njit(cache=True)
def moved(opening: float, speed: float, lasting: int) -> float:
    """An opening, 0 to 1, after it has moved at `speed` (1/s) for so many ns."""
    return min(max(opening + speed * lasting * S_PER_NS, 0.0), 1.0)
