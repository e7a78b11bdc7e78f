"""Ultrasound ranging: each beacon chirps in its slot after the infrared pulse, each receiver times the flight.

A vehicle that misses the pulse, or sees no emitter of it, has no clock for that cycle. The chirp leaves the beacon
where it really is, at the real speed of sound, and meets the receiver where that is at the arrival. A receiver hears
inside its cone unless another vehicle's body stands in the way. Jets that sound at the arrival make it noisier and let
it miss chirps.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import MAX_RECEIVERS, NS_PER_S, TICK_NS
from testbed.description.rotation import cross, rotate
from testbed.model.jet_noise import loudness
from testbed.model.sight import hidden

_REFINEMENTS: Final = 3
"""Each shrinks the error of the arrival time by speed over speed of sound, below 1e-3."""
_PULSE: Final = MAX_RECEIVERS
"""Place of the infrared pulse's random number behind those of the receivers."""


@njit(cache=True)
def listen(
    world: Any,
    vehicles: Any,
    states: Any,
    index: int,
    stamp: int,
    normals: NDArray[np.float64],
    uniforms: NDArray[np.float64],
) -> None:
    """Take in the chirps that leave or arrive in the tick from `stamp` (ns); call before that tick's advance.

    normals, uniforms: shape (MAX_RECEIVERS + 1,) each: noise and fate of what leaves now, last those of the pulse.
    A vehicle is taken to move steadily while a chirp is on its way (an error below 0.01 mm at a free-flyer's
    acceleration).
    """
    vehicle, state = vehicles[index], states[index]
    pulse = stamp - stamp % world.cycle
    buffer = pulse // world.cycle % 2
    if state.cycle_pulse[buffer] != pulse:
        state.cycle_pulse[buffer] = pulse
        state.range_count[buffer] = 0
        state.pulse_heard = (
            vehicle.infrared_dead == 0
            and uniforms[_PULSE] >= world.pulse_missed
            and sees_emitter(world, vehicles, states, index)
        )
        state.pulse_error = -world.pulse_jitter * normals[_PULSE]
    if not state.pulse_heard:
        return
    if state.arrivals > 0:
        arrive(world, vehicles, states, index, stamp, buffer)
    for beacon in range(world.beacon_count):
        chirp = pulse + world.chirp_offset[beacon]
        if stamp <= chirp < stamp + TICK_NS and world.beacon_dead[beacon] == 0:
            state.arriving_beacon = beacon
            for receiver in range(vehicle.receiver_count):
                delay = (chirp - stamp) / NS_PER_S
                flight = flight_time(world, vehicles, states, index, world.beacon_position[beacon], receiver, delay)
                state.arriving_flight[receiver] = flight
                state.arrival[receiver] = chirp + round(flight * NS_PER_S)
                state.arriving_normal[receiver] = normals[receiver]
                state.arriving_fate[receiver] = uniforms[receiver]
                state.arrivals += flight > 0.0
            arrive(world, vehicles, states, index, stamp, buffer)


@njit(cache=True)
def sees_emitter(world: Any, vehicles: Any, states: Any, index: int) -> bool:
    """Whether base_link sees an infrared emitter past the other vehicles; without any the pulse comes by other ways."""
    p = states[index].position
    for emitter in range(world.emitter_count):
        e = world.emitter_position[emitter]
        if not hidden(world, vehicles, states, index, e, (e[0] - p[0], e[1] - p[1], e[2] - p[2])):
            return True
    return bool(world.emitter_count == 0)


@njit(cache=True)
def arrive(world: Any, vehicles: Any, states: Any, index: int, stamp: int, buffer: int) -> None:
    """Let the chirp on its way reach those receivers at which it arrives in the tick from `stamp` (ns)."""
    state = states[index]
    for receiver in range(vehicles[index].receiver_count):
        flight = state.arriving_flight[receiver]
        if flight > 0.0 and state.arrival[receiver] < stamp + TICK_NS:
            state.arriving_flight[receiver] = 0.0
            state.arrivals -= 1
            loud = loudness(world, vehicles, states, index, receiver, stamp, state.arrival[receiver])
            fate = fate_left(world, loud, state.arriving_fate[receiver])
            if fate >= 0.0 and vehicles[index].receiver_dead[receiver] == 0:
                error = range_error(world, flight * world.speed_of_sound, loud, state.arriving_normal[receiver], fate)
                place = state.range_count[buffer]
                state.range_beacon[buffer, place] = state.arriving_beacon
                state.range_receiver[buffer, place] = receiver
                state.time_of_flight[buffer, place] = flight + error / world.speed_of_sound + state.pulse_error
                state.time_offset[buffer, place] = world.chirp_offset[state.arriving_beacon] / NS_PER_S
                state.range_count[buffer] = place + 1


@njit(cache=True)
def flight_time(
    world: Any,
    vehicles: Any,
    states: Any,
    index: int,
    beacon: NDArray[np.float64],
    receiver: int,
    delay: float,
) -> float:
    """Time of flight, s, of a chirp that leaves `delay` s from now to a receiver of vehicle `index`; 0 if not heard."""
    vehicle, state = vehicles[index], states[index]
    q, p = state.orientation, state.position
    reach = rotate(q, vehicle.receiver_position[receiver])
    velocity = rotate(q, state.linear_velocity)
    spin = cross(rotate(q, state.rate), reach)
    flight = 0.0
    dx, dy, dz, distance = 0.0, 0.0, 0.0, 0.0
    for _ in range(_REFINEMENTS):
        time = delay + flight
        dx = beacon[0] - (p[0] + reach[0] + (velocity[0] + spin[0]) * time)
        dy = beacon[1] - (p[1] + reach[1] + (velocity[1] + spin[1]) * time)
        dz = beacon[2] - (p[2] + reach[2] + (velocity[2] + spin[2]) * time)
        distance = math.sqrt(dx * dx + dy * dy + dz * dz)
        flight = distance / world.speed_of_sound
    axis = rotate(q, vehicle.receiver_axis[receiver])
    if (
        flight >= world.slot
        or axis[0] * dx + axis[1] * dy + axis[2] * dz < vehicle.receiver_cosine[receiver] * distance
        or hidden(world, vehicles, states, index, beacon, (dx, dy, dz))
    ):
        return 0.0
    return flight


@njit(cache=True)
def fate_left(world: Any, loud: float, uniform: float) -> float:
    """Negative if the chirp is lost, else what the uniform number has left for other decisions, in [0, 1)."""
    heard = 1.0 - world.dropout
    if loud > 0.0:
        heard *= (1.0 - world.valve_dropout) ** loud
    lost = 1.0 - heard
    return (uniform - lost) / heard if uniform >= lost else -1.0


@njit(cache=True)
def range_error(world: Any, distance: float, loud: float, normal: float, fate: float) -> float:
    """Error of one range, m: noise, and the detour of an echo now and then (where `fate` is below its share)."""
    error = (world.range_noise + world.range_noise_per_metre * distance) * normal
    if loud > 0.0:
        factor = world.range_noise_valve_factor
        error *= math.sqrt(1.0 + (factor * factor - 1.0) * loud)
    if fate < world.multipath:
        error += world.multipath_shortest
        error += fate / world.multipath * (world.multipath_longest - world.multipath_shortest)
    return error


@njit(cache=True)
def take_ranges(state: Any, pulse: int, ranges: Any) -> None:
    """Fill `ranges` (messages.RANGES) with the cycle that began at `pulse` (ns), chirp by chirp as they arrived."""
    ranges.stamp = pulse
    ranges.count = 0
    for buffer in range(2):
        if state.cycle_pulse[buffer] == pulse:
            ranges.count = state.range_count[buffer]
            for k in range(ranges.count):
                ranges.beacon[k] = state.range_beacon[buffer, k]
                ranges.receiver[k] = state.range_receiver[buffer, k]
                ranges.time_of_flight[k] = state.time_of_flight[buffer, k]
                ranges.time_offset[k] = state.time_offset[buffer, k]
