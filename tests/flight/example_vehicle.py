"""The demo lab's vehicle as far as flight code is concerned, built here so that tests need no configuration file."""

import math

from testbed.description.vehicle import GasSupply, MassProperties, Receiver, ThrusterSet, Valve, Vehicle

THRUST = 0.15
ARM = 0.13
CANT = math.radians(30.0)
CORNERS = ((1, 1), (1, -1), (-1, -1), (-1, 1))


def valves(thrust=THRUST):
    """Twelve valves, three in each corner: along x canted outward, along y, vertical."""
    found = []
    for number, (x, y) in enumerate(CORNERS):
        exhausts = {
            "along": (x * math.cos(CANT), y * math.sin(CANT), 0.0),
            "side": (0.0, float(y), 0.0),
            "vertical": (0.0, 0.0, -1.0 if x * y > 0 else 1.0),
        }
        for name, exhaust in exhausts.items():
            position = (ARM * x, ARM * y, 0.0)
            found.append(Valve(name=f"{name}_{number}", position=position, exhaust=exhaust, thrust=thrust))
    return tuple(found)


def vehicle(**changes):
    """The demo vehicle; `changes` replace whole fields of it."""
    fields = {
        "name": "wren",
        "flight": MassProperties(mass=6.0, inertia=(0.062, 0.065, 0.068)),
        "floor": MassProperties(mass=13.0, inertia=(0.86, 0.87, 0.24), centre_of_mass=(0.0, 0.0, -0.2)),
        "thrusters": ThrusterSet(valves=valves()),
        "gas": GasSupply(volume=0.5e-3, pressure=20e6),
        "receivers": tuple(Receiver(position=(x * 0.1, y * 0.1, 0.1), axis=(x, y, 0.5)) for x, y in CORNERS),
    }
    return Vehicle(**(fields | changes))


def with_valve_out(name, of=None):
    """The vehicle with one valve out of service."""
    whole = of or vehicle()
    kept = tuple(v.model_copy(update={"in_service": v.in_service and v.name != name}) for v in whole.thrusters.valves)
    return whole.model_copy(update={"thrusters": whole.thrusters.model_copy(update={"valves": kept})})
