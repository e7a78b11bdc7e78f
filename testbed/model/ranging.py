"""Ultrasound ranging: each beacon chirps in its slot after the infrared pulse, each receiver times the flight.

The chirp leaves the beacon where it really is, at the real speed of sound, and meets the receiver where that is at the
arrival. A receiver hears inside its cone unless another vehicle's body stands in the way. Own valves make it noisier.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import cross, rotate

_REFINEMENTS: Final = 3
"""Each shrinks the error of the arrival time by speed over speed of sound, below 1e-3."""


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
    """Take in the chirp, if any, that leaves in the tick from `stamp` (ns); call before that tick's advance.

    normals, shape (MAX_RECEIVERS,): noise; uniforms, shape (MAX_RECEIVERS, 3): dropout, multipath, detour of the echo.
    Within the tick the vehicle is taken to move steadily (an error below 0.01 mm at a free-flyer's acceleration).
    """
    vehicle, state = vehicles[index], states[index]
    pulse = stamp - stamp % world.cycle
    buffer = pulse // world.cycle % 2
    if state.cycle_pulse[buffer] != pulse:
        state.cycle_pulse[buffer] = pulse
        state.range_count[buffer] = 0
    for beacon in range(world.beacon_count):
        chirp = pulse + world.chirp_offset[beacon]
        if stamp <= chirp < stamp + TICK_NS:
            for receiver in range(vehicle.receiver_count):
                delay = (chirp - stamp) / NS_PER_S
                flight = flight_time(world, vehicles, states, index, world.beacon_position[beacon], receiver, delay)
                if flight > 0.0 and uniforms[receiver, 0] >= world.dropout:
                    error = range_error(world, state, flight, normals[receiver], uniforms[receiver])
                    place = state.range_count[buffer]
                    state.range_beacon[buffer, place] = beacon
                    state.range_receiver[buffer, place] = receiver
                    state.time_of_flight[buffer, place] = flight + error / world.speed_of_sound
                    state.time_offset[buffer, place] = world.chirp_offset[beacon] / NS_PER_S
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
    ):
        return 0.0
    for other in range(len(vehicles)):
        if other != index and hides(world, vehicles[other], states[other], beacon, (dx, dy, dz)):
            return 0.0
    return flight


@njit(cache=True)
def hides(world: Any, vehicle: Any, state: Any, beacon: NDArray[np.float64], path: tuple[float, float, float]) -> bool:
    """Whether a vehicle's body cuts the straight path that ends at the beacon and has the vector `path`.

    On the table the body is an upright cylinder from the floor to its top, in the cabin a sphere.
    """
    dx, dy, dz = path
    x, y = beacon[0] - state.position[0], beacon[1] - state.position[1]
    if world.on_table:
        share = nearest(dx * dx + dy * dy, x * dx + y * dy)
        x, y = x - share * dx, y - share * dy
        below_top = beacon[2] - share * dz < state.position[2] + vehicle.body_radius
        return below_top and x * x + y * y < vehicle.body_radius * vehicle.body_radius
    z = beacon[2] - state.position[2]
    share = nearest(dx * dx + dy * dy + dz * dz, x * dx + y * dy + z * dz)
    x, y, z = x - share * dx, y - share * dy, z - share * dz
    return x * x + y * y + z * z < vehicle.body_radius * vehicle.body_radius


@njit(cache=True)
def nearest(length_squared: float, product: float) -> float:
    """Share of the path, from the beacon, at which it is nearest to a point."""
    return min(max(product / length_squared, 0.0), 1.0) if length_squared > 0.0 else 0.0


@njit(cache=True)
def range_error(world: Any, state: Any, flight: float, normal: float, uniforms: NDArray[np.float64]) -> float:
    """Error of one range, m: noise, and the detour of an echo now and then."""
    error = (world.range_noise + world.range_noise_per_metre * flight * world.speed_of_sound) * normal
    if state.active != 0:
        error *= world.range_noise_valve_factor
    if uniforms[1] < world.multipath:
        error += world.multipath_shortest + uniforms[2] * (world.multipath_longest - world.multipath_shortest)
    return error


@njit(cache=True)
def take_ranges(state: Any, pulse: int, ranges: Any) -> None:
    """Fill `ranges` (messages.RANGES) with the cycle that began at `pulse` (ns), in the order of the chirps."""
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
