"""A vehicle, a room and noise for the model's tests: plain, and with every imperfection switched off one by one."""

import numpy as np

from testbed.description import messages
from testbed.description.air_resistance import AirResistance
from testbed.description.beacons import Beacon, Beacons
from testbed.description.cabin import Cabin, Orbit, Ventilation
from testbed.description.gas_supply import GasSupply, Regulator
from testbed.description.noise import AccelerometerNoise, GyroNoise, Noise, RangingNoise, Surroundings
from testbed.description.rotation import rotate_inverse
from testbed.description.table import Table
from testbed.description.vehicle import MassProperties, Receiver, Shape, ThrusterSet, Valve, Vehicle
from testbed.model.draws import Draws
from testbed.model.plant import Plant

START = messages.LOCKSTEP_START_NS
TICK = messages.TICK_NS
LEVEL = np.array([0.0, 0.0, 0.0, 1.0])

SILENCE = Noise(
    name="none",
    gyro=GyroNoise(
        density_deg=0.0, bias_instability_deg_per_hour=0.0, turn_on_bias_deg=0.0, scale_error=0.0, misalignment_deg=0.0
    ),
    accelerometer=AccelerometerNoise(
        density=0.0, bias_instability=0.0, turn_on_bias=0.0, scale_error=0.0, misalignment_deg=0.0
    ),
    ranging=RangingNoise(
        constant=0.0,
        per_metre=0.0,
        dropout=0.0,
        multipath=0.0,
        survey=0.0,
        valve_dropout=0.0,
        pulse_jitter=0.0,
        pulse_missed=0.0,
    ),
    surroundings=Surroundings(air_temperature=0.0, air_humidity=0.0, thrust=0.0),
)

FLAT = Table(
    name="flat",
    outline=((-1.8, -1.5), (1.8, -1.5), (1.8, 1.5), (-1.8, 1.5)),
    working_area=((-1.6, -1.3), (1.6, 1.3)),
    film_drag_time=1e18,
    spin_drag=0.0,
    earth_rate=0.0,
)

CABIN = Cabin(
    name="cabin",
    size=(4.0, 3.0, 2.5),
    air_density=0.0,
    ventilation=Ventilation(circulation_speed=0.0),
    orbit=Orbit(rate=0.0, steady_acceleration=(0.0, 0.0, 0.0)),
)

STILL = AirResistance(drag_coefficient=0.0, rotation_damping=0.0, rotation_drag=0.0)

BEACONS = Beacons(
    name="six",
    beacons=tuple(
        Beacon(position=position)
        for position in (
            (2.0, 1.7, 1.2),
            (-2.0, 1.7, 2.2),
            (-2.0, -1.7, 1.2),
            (2.0, -1.7, 2.2),
            (0.0, 1.7, 0.4),
            (0.0, -1.7, 0.4),
        )
    ),
)


def twelve_valves():
    """Four corner blocks, each with a nozzle along x, one along y and one vertical."""
    valves = []
    for x in (-0.13, 0.13):
        for y in (-0.13, 0.13):
            corner = f"{'n' if x > 0 else 'p'}{'n' if y > 0 else 'p'}"
            outward = 0.5 * np.sign(y)
            valves.append(
                Valve(name=f"{corner}x", position=(x, y, 0.0), exhaust=(np.sign(x), outward, 0.0), thrust=0.15)
            )
            valves.append(Valve(name=f"{corner}y", position=(x, y, 0.0), exhaust=(0.0, np.sign(y), 0.0), thrust=0.15))
            valves.append(
                Valve(name=f"{corner}z", position=(x, y, 0.0), exhaust=(0.0, 0.0, np.sign(x * y)), thrust=0.15)
            )
    return tuple(valves)


def receivers():
    """Eight corners, four looking up and outward, four down and outward."""
    return tuple(
        Receiver(position=(0.1 * x, 0.1 * y, 0.1 * z), axis=(x, y, 0.5 * z))
        for z in (1, -1)
        for x in (1, -1)
        for y in (1, -1)
    )


def a_vehicle(name="wren", thrusters=None, **changes):
    """A vehicle of the demo lab's size; `thrusters` changes what its valves have in common."""
    vehicle = Vehicle(
        name=name,
        flight=MassProperties(mass=6.0, inertia=(0.062, 0.065, 0.068)),
        floor=MassProperties(mass=13.0, inertia=(0.25, 0.25, 0.24)),
        shape=Shape(),
        thrusters=ThrusterSet(valves=twelve_valves(), **{"misalignment_deg": 0.0, **(thrusters or {})}),
        gas=GasSupply(volume=0.0005, pressure=20e6, regulator=Regulator(supply_effect=0.0)),
        receivers=receivers(),
        air=STILL,
    )
    return vehicle.model_copy(update=changes)


def steady(name="wren", **changes):
    """A vehicle whose valves have no jitter and whose plenum does not sag; `changes` replace whole parts of it."""
    return a_vehicle(name, {"delay_jitter": 0.0, "maximum_sag": 0.0}).model_copy(update=changes)


def a_plant(*vehicles, room=FLAT, beacons=BEACONS, noise=SILENCE, seed=1):
    return Plant(vehicles, room, beacons, noise, Draws(seed, 0, len(vehicles)))


def run(plant, ticks, stamp=START, each=None, noise=None):
    """Advance by `ticks` without jitter; `each(stamp)` is called before each tick. Returns the stamp reached."""
    calm = np.zeros((len(plant.states), messages.MAX_VALVES, 2)) if noise is None else noise
    for k in range(ticks):
        now = stamp + k * TICK
        if each is not None:
            each(now)
        plant.advance(now, calm)
    return stamp + ticks * TICK


def a_schedule(stamp, *points):
    """A schedule record; points: (offset s, valves open)."""
    schedule = np.zeros(1, messages.SCHEDULE)[0]
    schedule["stamp"], schedule["count"] = stamp, len(points)
    for k, (offset, valves) in enumerate(points):
        schedule["offset"][k] = round(offset * 1e9)
        schedule["open"][k, list(valves)] = 1
    return schedule


def open_valves(state, openings):
    """Hold valves open by these shares (of each by its index), and all others closed, until something switches."""
    state["opening"], state["moving"] = 0.0, 0
    for valve, opening in openings.items():
        state["opening"][valve] = opening
        state["moving"] |= 1 << valve


def set_motion(plant, index, velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.0)):
    """Give a vehicle a velocity of its centre of mass (fixed axes) and a rate (body axes)."""
    state = plant.states[index]
    state["velocity"], state["rate"] = velocity, rate
    turn = np.cross(rate, plant.vehicles[index]["centre_of_mass"])
    state["linear_velocity"] = np.array(rotate_inverse(state["orientation"], state["velocity"])) - turn
