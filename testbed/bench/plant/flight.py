"""Vehicles that float about under modulated thrust: what the plant and its peer both step."""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.description.rotation import rotate_inverse
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.model.draws import Draws
from testbed.model.plant import Plant, advance
from testbed.model.schedule import accept_schedule
from testbed.model.uncounted import uncounted
from testbed.plan.configuration import Configuration

SEED: Final = 1
APART: Final = 1.4
"""Distance between neighbours, m: out of reach of each other's jets, which MuJoCo has not."""
CLOSE: Final = 1.0
"""Distance at which jets reach neighbours, m."""
PERIOD_TICKS: Final = 10
"""Ticks of a modulation period."""
LEAD_NS: Final = 20_000_000
"""A schedule begins so long after it arrives."""
FIRING: Final = 3
"""Valves of a vehicle that fire in a period."""
ON_TIME: Final = (0.01, 0.095)
"""Shortest and longest on-time, s, drawn evenly between them; the longest closes before the next period can open."""
SPEED: Final = 0.015
SPIN: Final = 0.02
"""Standard deviations of each component of the first velocity, m/s, and of the first rate, rad/s."""


@dataclass(frozen=True)
class Flight:
    """Vehicles as they start, and all that comes to them from outside.

    schedules: messages.SCHEDULE, shape (periods, vehicles); on_times: s, shape (periods, vehicles, MAX_VALVES), what
    the schedules say; noise: for `advance`, shape (ticks, vehicles, MAX_VALVES, 2).
    """

    plant: Plant
    on_times: NDArray[np.float64]
    schedules: NDArray[np.void]
    noise: NDArray[np.float64]

    def fly(self) -> tuple[NDArray[np.void], float]:
        """Fly all of it on copies of the states; the states at the end, and seconds that a tick took."""
        plant = self.plant
        world_state, states = plant.world_state.copy(), plant.states.copy()
        began = time.perf_counter()
        fly_ticks(plant.world, plant.vehicles, world_state, states, self.schedules, self.noise)
        return states, (time.perf_counter() - began) / len(self.noise)

    def take_schedules(self) -> float:
        """Only take the schedules in; seconds that those of a tick took."""
        states = self.plant.states.copy()
        began = time.perf_counter()
        take_schedules(self.plant.vehicles, states, self.schedules)
        return (time.perf_counter() - began) / len(self.noise)


def floating(
    configuration: Configuration, vehicles: Sequence[Vehicle], table: Table, seconds: float, spacing: float = APART
) -> Flight:
    """Vehicles so far apart, each with three valves of the horizontal ones firing in each tenth of a second."""
    side = math.ceil(math.sqrt(len(vehicles)))
    return _flight(configuration, vehicles, _widened(table, side * spacing), spacing, SPEED, seconds)


def crowded(configuration: Configuration, vehicles: Sequence[Vehicle], table: Table, seconds: float) -> Flight:
    """Vehicles so close that each touches its neighbours again and again."""
    diameter = 2.0 * max(vehicle.contact_radius("table") for vehicle in vehicles)
    side = math.ceil(math.sqrt(len(vehicles)))
    return _flight(configuration, vehicles, _widened(table, (side + 0.2) * diameter), 1.02 * diameter, 0.05, seconds)


def _flight(
    configuration: Configuration,
    vehicles: Sequence[Vehicle],
    table: Table,
    spacing: float,
    speed: float,
    seconds: float,
) -> Flight:
    count, ticks = len(vehicles), round(seconds * NS_PER_S / TICK_NS)
    draws = Draws(SEED, 0, count)
    plant = Plant(vehicles, table, configuration.beacons, configuration.noise, draws)
    random = np.random.default_rng(SEED)
    side = math.ceil(math.sqrt(count))
    row, column = np.divmod(np.arange(count), side)
    for v in range(count):
        position = spacing * np.array([column[v] - 0.5 * (side - 1), row[v] - 0.5 * (side - 1), 0.0])
        half = 0.5 * random.uniform(-math.pi, math.pi)
        plant.place(v, position, np.array([0.0, 0.0, math.sin(half), math.cos(half)]), LOCKSTEP_START_NS)
        _set_off(plant, v, random.normal(scale=speed, size=2), random.normal(scale=SPIN))
    on_times = _on_times(vehicles, ticks // PERIOD_TICKS, random)
    return Flight(plant, on_times, _schedules(on_times), draws.valves(ticks))


def _widened(table: Table, side: float) -> Table:
    """The table, or where vehicles need more room a square one with sides of that length, m."""
    (left, low), (right, high) = np.min(table.outline, axis=0), np.max(table.outline, axis=0)
    if side <= min(right - left, high - low):
        return table
    half = 0.5 * side
    outline = ((-half, -half), (half, -half), (half, half), (-half, half))
    return table.model_copy(update={"outline": outline})


def _set_off(plant: Plant, index: int, velocity: NDArray[np.float64], rate: float) -> None:
    state, centre = plant.states[index], plant.vehicles[index]["centre_of_mass"]
    state["velocity"][:2], state["rate"][2] = velocity, rate
    along_body = np.array(rotate_inverse(state["orientation"], state["velocity"]))
    state["linear_velocity"] = along_body - np.cross(state["rate"], centre)


def _on_times(vehicles: Sequence[Vehicle], periods: int, random: np.random.Generator) -> NDArray[np.float64]:
    on_times = np.zeros((periods, len(vehicles), messages.MAX_VALVES))
    for v, vehicle in enumerate(vehicles):
        level = [k for k, valve in enumerate(vehicle.thrusters.valves) if abs(valve.exhaust[2]) < 0.5]
        for period in range(periods):
            firing = random.choice(level, FIRING, replace=False)
            on_times[period, v, firing] = np.round(random.uniform(*ON_TIME, FIRING), 6)
    return on_times


def _schedules(on_times: NDArray[np.float64]) -> NDArray[np.void]:
    """All open at the beginning of the period, each closes when its time is over."""
    periods, count, _ = on_times.shape
    schedules = np.zeros((periods, count), messages.SCHEDULE)
    for period in range(periods):
        for v in range(count):
            one, lasting = schedules[period, v], np.round(on_times[period, v] * NS_PER_S).astype(np.int64)
            ends = np.unique(np.append(lasting, 0))
            one["stamp"] = LOCKSTEP_START_NS + period * PERIOD_TICKS * TICK_NS + LEAD_NS
            one["count"] = len(ends)
            one["offset"][: len(ends)] = ends
            one["open"][: len(ends)] = lasting > ends[:, None]
    return schedules


@njit(cache=True)
def fly_ticks(world: Any, vehicles: Any, world_state: Any, states: Any, schedules: Any, noise: Any) -> None:
    """Advance by all ticks of `noise`, taking in a row of schedules each period."""
    vehicles, states, schedules, noise = uncounted(vehicles), uncounted(states), uncounted(schedules), uncounted(noise)
    for tick in range(len(noise)):
        stamp = LOCKSTEP_START_NS + tick * TICK_NS
        if tick % PERIOD_TICKS == 0:
            for v in range(len(states)):
                accept_schedule(vehicles[v], states[v], schedules[tick // PERIOD_TICKS, v], stamp)
        advance(world[0], vehicles, world_state[0], states, stamp, noise[tick])


@njit(cache=True)
def take_schedules(vehicles: Any, states: Any, schedules: Any) -> None:
    """Take in all schedules at their times, and nothing else."""
    for period in range(len(schedules)):
        stamp = LOCKSTEP_START_NS + period * PERIOD_TICKS * TICK_NS
        for v in range(len(states)):
            states[v].point_count = 0
            accept_schedule(vehicles[v], states[v], schedules[period, v], stamp)
