"""How loud the jets of open valves are at an ultrasound receiver: the power of each falls with distance squared."""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.rotation import rotate

NEAREST: Final = 0.03
"""Distance below which a nozzle gets no louder, m: the size of the jet itself."""


@njit(cache=True)
def loudness(world: Any, vehicles: Any, states: Any, index: int, receiver: int) -> float:
    """Noise power at a receiver of vehicle `index`; 1 is that of one fully open nozzle at world.valve_distance.

    Nozzles of all vehicles sound, in proportion to their opening, in all directions and unhindered; powers add up, for
    jets are not in step with each other.
    """
    place = rotate(states[index].orientation, vehicles[index].receiver_position[receiver])
    position = states[index].position
    total = 0.0
    for source in range(len(vehicles)):
        vehicle, state = vehicles[source], states[source]
        if state.moving == 0:
            continue
        for v in range(vehicle.valve_count):
            if state.moving >> v & 1:
                nozzle = rotate(state.orientation, vehicle.nozzle_position[v])
                x = state.position[0] + nozzle[0] - position[0] - place[0]
                y = state.position[1] + nozzle[1] - position[1] - place[1]
                z = state.position[2] + nozzle[2] - position[2] - place[2]
                total += state.opening[v] / max(x * x + y * y + z * z, NEAREST * NEAREST)
    return total * world.valve_distance * world.valve_distance
