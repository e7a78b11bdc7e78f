"""A small vehicle and random records of it."""

import numpy as np

from testbed.description import messages
from testbed.description.vehicle import GasSupply, MassProperties, Receiver, ThrusterSet, Valve, Vehicle

VEHICLE = Vehicle(
    name="wren",
    flight=MassProperties(mass=6.0, inertia=(0.06, 0.06, 0.06)),
    floor=MassProperties(mass=13.0, inertia=(0.2, 0.2, 0.24)),
    thrusters=ThrusterSet(
        valves=tuple(
            Valve(name=f"valve_{index}", position=(0.1, 0.1, 0.0), exhaust=(1.0, 0.0, 0.0), thrust=0.15)
            for index in range(12)
        )
    ),
    gas=GasSupply(volume=0.0005, pressure=20e6),
    receivers=tuple(Receiver(position=(0.1, 0.0, 0.1), axis=(0.0, 0.0, 1.0)) for _ in range(4)),
)
VALVES = [valve.name for valve in VEHICLE.thrusters.valves]


def stamps(count, period=messages.TICK_NS, start=messages.LOCKSTEP_START_NS):
    return start + period * np.arange(count, dtype=np.int64)


def random_records(dtype, count, seed=0):
    """Records with a running stamp and random numbers everywhere else."""
    generator = np.random.default_rng(seed)
    records = np.zeros(count, dtype)
    for name in dtype.names:
        field = records[name]
        if field.dtype == np.float64:
            records[name] = generator.normal(size=field.shape)
    records["stamp"] = stamps(count)
    return records


def random_schedules(count, seed=0):
    generator = np.random.default_rng(seed)
    records = random_records(messages.SCHEDULE, count)
    records["count"] = generator.integers(0, messages.MAX_POINTS + 1, count)
    records["offset"] = np.arange(messages.MAX_POINTS) * 5_000_000
    records["open"] = generator.integers(0, 2, records["open"].shape)
    return records


def random_trajectories(count, seed=0):
    generator = np.random.default_rng(seed)
    records = random_records(messages.TRAJECTORY, count)
    records["count"] = generator.integers(0, messages.MAX_KNOTS + 1, count)
    records["number"] = generator.integers(8, 12, count)
    records["offset"] = np.cumsum(generator.integers(1, 3 * messages.NS_PER_S, records["offset"].shape), axis=1)
    records["offset"] -= generator.integers(0, 100 * messages.NS_PER_S, (count, 1))  # some have begun
    for record in records:
        for name in ("offset", "position", "orientation", "velocity", "rate"):
            record[name][record["count"] :] = 0
    return records


def random_ranges(count, seed=0):
    generator = np.random.default_rng(seed)
    records = random_records(messages.RANGES, count, seed)
    records["count"] = generator.integers(0, 49, count)
    records["beacon"] = generator.integers(0, 6, records["beacon"].shape)
    records["receiver"] = generator.integers(0, 8, records["receiver"].shape)
    return records


def batteries(stamps, shares):
    """Readings of a battery with these shares of its charge left."""
    records = np.zeros(len(stamps), messages.BATTERY)
    records["stamp"], records["percentage"] = stamps, shares
    records["charge"] = shares * VEHICLE.battery.capacity
    records["voltage"], records["current"], records["power_supply_health"] = 15.0, -1.25, 1
    return records
