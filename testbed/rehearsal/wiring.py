"""The arrays that the engine's compiled loop works on: plant, flight side, what passes between, what is kept."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import PERIOD_NS, TICK_NS
from testbed.flight.estimation import Estimator
from testbed.flight.guidance import Guidance
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.model.draws import Draws
from testbed.model.edges import EDGE
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration

STEP_TICKS: Final = PERIOD_NS["/plan/state"] // TICK_NS
"""Ticks from one step of the conductor to the next."""
_EDGES_A_STEP: Final = 64


class PlantArrays(NamedTuple):
    """Parameters and state of model.Plant."""

    world: NDArray[np.void]
    vehicles: NDArray[np.void]
    world_state: NDArray[np.void]
    states: NDArray[np.void]


class FlightArrays(NamedTuple):
    """Parameters and state of each vehicle's estimator, guidance and thruster driver; shape (n,) each."""

    estimator: NDArray[np.void]
    estimator_state: NDArray[np.void]
    guidance: NDArray[np.void]
    guidance_state: NDArray[np.void]
    driver: NDArray[np.void]
    driver_state: NDArray[np.void]
    modulation_period: NDArray[np.int64]


class Wires(NamedTuple):
    """The newest message of each vehicle on each topic, shape (n,); `schedule_sent`: a schedule waits to be taken."""

    imu: NDArray[np.void]
    ranges: NDArray[np.void]
    odometry: NDArray[np.void]
    truth: NDArray[np.void]
    wrench: NDArray[np.void]
    reference: NDArray[np.void]
    status: NDArray[np.void]
    status_due: NDArray[np.void]
    schedule: NDArray[np.void]
    schedule_sent: NDArray[np.uint8]


class Noise(NamedTuple):
    """Random numbers for one step of the conductor, first axis: tick; `imu` for the tick that each leads to."""

    imu: NDArray[np.float64]
    valves: NDArray[np.float64]
    range_normals: NDArray[np.float64]
    range_uniforms: NDArray[np.float64]


class Tape(NamedTuple):
    """Every message of one step of the conductor, shape (n, capacity); `counts` (n, topics) says how many there are."""

    counts: NDArray[np.int64]
    imu: NDArray[np.void]
    odometry: NDArray[np.void]
    truth: NDArray[np.void]
    wrench: NDArray[np.void]
    reference: NDArray[np.void]
    status: NDArray[np.void]
    ranges: NDArray[np.void]
    schedule: NDArray[np.void]
    schedule_at: NDArray[np.int64]
    edge: NDArray[np.void]


TAPE_COLUMNS: Final = ("imu", "odometry", "truth", "wrench", "reference", "status", "ranges", "schedule", "edge")
IMU, ODOMETRY, TRUTH, WRENCH, REFERENCE, STATUS, RANGES, SCHEDULE, VALVE_EDGE = range(len(TAPE_COLUMNS))


def plant_arrays(plant: Plant) -> PlantArrays:
    """The plant's own arrays, not copies."""
    return PlantArrays(plant.world, plant.vehicles, plant.world_state, plant.states)


def flight_arrays(configuration: Configuration) -> FlightArrays:
    """A new flight side for every vehicle of a session."""
    place, axes = configuration.place, configuration.active_axes
    vehicles = list(configuration.vehicles.values())
    estimators = [Estimator(one, configuration.beacons, configuration.noise, place, axes) for one in vehicles]
    guidances = [Guidance(one, place, axes) for one in vehicles]
    drivers = [ThrusterDriver(one, place, axes) for one in vehicles]
    return FlightArrays(
        np.concatenate([one.parameters for one in estimators]),
        np.concatenate([one.state for one in estimators]),
        np.concatenate([one.parameters for one in guidances]),
        np.concatenate([one.state for one in guidances]),
        np.concatenate([one.parameters for one in drivers]),
        np.concatenate([one.state for one in drivers]),
        np.array([one.modulation_period for one in drivers], np.int64),
    )


def wires(vehicles: int) -> Wires:
    """Silent wires."""

    def of(dtype: np.dtype[Any]) -> NDArray[np.void]:
        return np.zeros(vehicles, dtype)

    return Wires(
        imu=of(messages.IMU),
        ranges=of(messages.RANGES),
        odometry=of(messages.ODOMETRY),
        truth=of(messages.ODOMETRY),
        wrench=of(messages.WRENCH),
        reference=of(messages.ODOMETRY),
        status=of(messages.STATUS),
        status_due=of(messages.STATUS),
        schedule=of(messages.SCHEDULE),
        schedule_sent=np.zeros(vehicles, np.uint8),
    )


def tape(vehicles: int) -> Tape:
    """An empty tape for one step."""

    def of(dtype: np.dtype[Any], capacity: int) -> NDArray[np.void]:
        return np.zeros((vehicles, capacity), dtype)

    return Tape(
        counts=np.zeros((vehicles, len(TAPE_COLUMNS)), np.int64),
        imu=of(messages.IMU, STEP_TICKS),
        odometry=of(messages.ODOMETRY, STEP_TICKS),
        truth=of(messages.ODOMETRY, STEP_TICKS),
        wrench=of(messages.WRENCH, STEP_TICKS),
        reference=of(messages.ODOMETRY, STEP_TICKS),
        status=of(messages.STATUS, STEP_TICKS),
        ranges=of(messages.RANGES, STEP_TICKS),
        schedule=of(messages.SCHEDULE, STEP_TICKS),
        schedule_at=np.zeros((vehicles, STEP_TICKS), np.int64),
        edge=of(EDGE, _EDGES_A_STEP),
    )


def draw(draws: Draws, ticks: int) -> Noise:
    """Random numbers for so many ticks."""
    return Noise(draws.imu(ticks), draws.valves(ticks), draws.range_normals(ticks), draws.range_uniforms(ticks))
