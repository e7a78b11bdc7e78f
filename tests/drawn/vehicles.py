"""Vehicles and worlds drawn at random: what flight code believes, and what is actual behind its back.

Spreads of the actual ones are those of the demo lab: mass 2 %, inertia 5 %, valve delay 2 ms, tilt 0.05 to 0.2 mrad.
"""

from __future__ import annotations

import math

import numpy as np

from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.effects import Actual
from testbed.description.table import Table
from testbed.description.vehicle import MassProperties, ThrusterSet, Valve, Vehicle
from testbed.flight.allocation import Allocation
from testbed.plan.configuration import Configuration
from testbed.rehearsal.build import actual
from tests.flight.example_vehicle import CORNERS

LEAST_AUTHORITY = 0.01
"""A drawn layout gives at least this much of every axis and sense, N or N·m."""
PLACES = {"table": TABLE_AXES, "cabin": CABIN_AXES}


def drawn_vehicle(generator: np.random.Generator, like: Vehicle) -> Vehicle:
    """A vehicle of another mass, inertia and thruster layout than `like`, able to push along every axis."""
    changes = {
        "flight": scaled(like.flight, *generator.uniform(0.8, 1.25, 2)),
        "floor": scaled(like.floor, *generator.uniform(0.8, 1.25, 2)),
    }
    while True:
        thrusters = like.thrusters.model_copy(update={"valves": drawn_valves(generator)})
        vehicle = like.model_copy(update=changes | {"thrusters": ThrusterSet(**thrusters.model_dump())})
        if all(least_authority(vehicle, place) > LEAST_AUTHORITY for place in ("table", "cabin")):
            return vehicle


def drawn_valves(generator: np.random.Generator) -> tuple[Valve, ...]:
    """Three valves in each of four corners, their cant, lean, place and thrust drawn."""
    valves = []
    half, thrust = generator.uniform(0.10, 0.14), generator.uniform(0.10, 0.22)
    for number, (x, y) in enumerate(CORNERS):
        up = 1.0 if x * y < 0 else -1.0
        exhausts = {
            "along": leaning(generator, (x, 0.0, 0.0), (0.0, y, 0.0)),
            "side": leaning(generator, (0.0, y, 0.0), (x, 0.0, 0.0)),
            "vertical": leaning(generator, (0.0, 0.0, up), (x, y, 0.0)),
        }
        for name, exhaust in exhausts.items():
            position = (half * x, half * y, generator.uniform(-0.02, 0.02))
            one = thrust * generator.uniform(0.9, 1.1)
            valves.append(Valve(name=f"{name}_{number}", position=position, exhaust=exhaust, thrust=one))
    return tuple(valves)


def leaning(generator, axis, outward) -> tuple[float, float, float]:
    """Direction between `axis` and `outward`, 0 to 35 degrees off the axis."""
    angle = math.radians(generator.uniform(0.0, 35.0))
    both = math.cos(angle) * np.array(axis) + math.sin(angle) * np.array(outward)
    return tuple(float(value) for value in both / np.linalg.norm(both))


def least_authority(vehicle: Vehicle, place) -> float:
    """Smallest force N or torque N·m that the vehicle can give along any active axis and sense."""
    allocation = Allocation(vehicle, place, PLACES[place])
    axes = np.eye(6)[axis_mask(PLACES[place])]
    return min(allocation.authority(sign * axis) for axis in axes for sign in (1.0, -1.0))


def drawn_world(generator: np.random.Generator, configuration: Configuration) -> Actual:
    """What is actual where `configuration` is believed; give it to `build_plant` or `LockstepRehearsal` as `world`."""
    believed = actual(configuration)
    room = believed.room
    if isinstance(room, Table):
        size, angle = generator.uniform(0.05, 0.2), generator.uniform(-math.pi, math.pi)
        room = room.model_copy(update={"tilt_mrad": (size * math.cos(angle), size * math.sin(angle))})
    vehicles = tuple(actual_vehicle(generator, vehicle) for vehicle in believed.vehicles)
    return Actual(vehicles, room, believed.beacons, believed.noise)


def actual_vehicle(generator: np.random.Generator, believed: Vehicle) -> Vehicle:
    """The vehicle as it is; its valves' own spread of thrust and lean is drawn by the plant."""
    mass, inertia = 1.0 + generator.normal(0.0, (0.02, 0.05))
    late = generator.uniform(-0.002, 0.002)
    thrusters = believed.thrusters.model_copy(
        update={
            "opening_delay": max(believed.thrusters.opening_delay + late, 0.0),
            "closing_delay": max(believed.thrusters.closing_delay + late, 0.0),
        }
    )
    changes = {"flight": scaled(believed.flight, mass, inertia), "floor": scaled(believed.floor, mass, inertia)}
    return believed.model_copy(update=changes | {"thrusters": thrusters})


def scaled(properties: MassProperties, mass: float, inertia: float) -> MassProperties:
    """The same body, its mass and inertia multiplied."""
    moments = tuple(inertia * value for value in properties.inertia)
    return properties.model_copy(update={"mass": mass * properties.mass, "inertia": moments})
