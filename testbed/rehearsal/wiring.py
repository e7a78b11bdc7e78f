"""The arrays that the engine's compiled loop works on: plant, flight side, what passes between, what is kept."""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import MAX_RANGES, PERIOD_NS, TICK_NS
from testbed.flight.estimation import Estimator
from testbed.flight.guard import VERDICT as GUARD_VERDICT
from testbed.flight.guard.memory import MOST_NEWS
from testbed.flight.guidance import Guidance
from testbed.flight.modulation import windows_of
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.model.draws import Draws
from testbed.model.edges import EDGE
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.samples import TRACK
from testbed.plan.stirs import WEIGHED

STEP_TICKS: Final = PERIOD_NS["/plan/state"] // TICK_NS
"""Ticks from one step of the conductor to the next."""
STRETCH_STEPS: Final = 50
"""So many steps of the conductor may go by before Python is asked, at most."""
STRETCH_TICKS: Final = STRETCH_STEPS * STEP_TICKS
_EDGES_A_STEP: Final = 64
_VERDICTS_A_STEP: Final = 2 * MOST_NEWS


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
    """The newest message of each vehicle on each topic, shape (n,).

    `schedule_sent`: a schedule waits to be taken; `reports` (n, capacity): room for the valve reports of one tick.
    """

    imu: NDArray[np.void]
    ranges: NDArray[np.void]
    odometry: NDArray[np.void]
    disturbance: NDArray[np.void]
    truth: NDArray[np.void]
    wrench: NDArray[np.void]
    reference: NDArray[np.void]
    status: NDArray[np.void]
    status_due: NDArray[np.void]
    schedule: NDArray[np.void]
    schedule_sent: NDArray[np.uint8]
    reports: NDArray[np.void]


class Noise(NamedTuple):
    """Random numbers for some ticks, first axis: tick; what senses, for the tick that each leads to."""

    imu: NDArray[np.float64]
    tracking: NDArray[np.float64]
    valves: NDArray[np.float64]
    range_normals: NDArray[np.float64]
    range_uniforms: NDArray[np.float64]


class Tape(NamedTuple):
    """Every message of a stretch of steps of the conductor, shape (n, capacity).

    `counts` (n, topics): how many there are; `ends` (steps, n, topics): how many there were after each step. `edge`
    holds what is sent at each step as well as each edge. `readings` (steps, n): what was measured at each step;
    `weighed` (steps, n): each tank after each quiet step. `seen` and `wanted`: what the conductor goes by of truth and
    reference. `told` (1,): 0 where nobody listens but conductor and radio; then only these, readings, verdicts and the
    odometry that the radio sends are kept, every `radio_period` (1,) ns (0: none).
    """

    told: NDArray[np.uint8]
    radio_period: NDArray[np.int64]
    counts: NDArray[np.int64]
    ends: NDArray[np.int64]
    readings: NDArray[np.void]
    weighed: NDArray[np.void]
    seen: NDArray[np.void]
    wanted: NDArray[np.void]
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
    verdict: NDArray[np.void]


READING: Final = np.dtype(
    [
        ("pressure", "f8"),
        ("temperature", "f8"),
        ("told_temperature", "f8"),  # after its way through the message, which carries degrees Celsius
        ("carriage_pressure", "f8"),
        ("battery", messages.BATTERY),
        ("gyro_bias", "f8", (3,)),
        ("disturbance", "f8", (3,)),  # N
        ("innovation_count", "i8"),
        ("innovation_beacon", "i8", (MAX_RANGES,)),
        ("innovation_receiver", "i8", (MAX_RANGES,)),
        ("innovation", "f8", (MAX_RANGES,)),
        ("innovation_variance", "f8", (MAX_RANGES,)),
        ("innovation_accepted", "i8", (MAX_RANGES,)),
    ],
    align=True,
)
"""What the slower topics say of one vehicle at one step: supply Pa and K, battery, estimate (as in its state)."""

TAPE_COLUMNS: Final = (
    "imu",
    "odometry",
    "truth",
    "wrench",
    "reference",
    "status",
    "ranges",
    "schedule",
    "edge",
    "verdict",
)
IMU, ODOMETRY, TRUTH, WRENCH, REFERENCE, STATUS, RANGES, SCHEDULE, VALVE_EDGE, VERDICT = range(len(TAPE_COLUMNS))


def plant_arrays(plant: Plant) -> PlantArrays:
    """The plant's own arrays, not copies."""
    return PlantArrays(plant.world, plant.vehicles, plant.world_state, plant.states)


def flight_arrays(configuration: Configuration) -> FlightArrays:
    """A new flight side for every vehicle of a session."""
    place, axes = configuration.place, configuration.active_axes
    vehicles = list(configuration.vehicles.values())
    beacons, noise, room = configuration.beacons, configuration.noise, configuration.room
    estimators = [Estimator(one, beacons, noise, place, axes, room) for one in vehicles]
    guidances = [Guidance(one, place, axes) for one in vehicles]
    drivers = [
        ThrusterDriver(one, place, axes, flight_limits(configuration, name), windows_of(one, beacons, room))
        for name, one in configuration.vehicles.items()
    ]
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
        disturbance=of(messages.WRENCH),
        truth=of(messages.ODOMETRY),
        wrench=of(messages.WRENCH),
        reference=of(messages.ODOMETRY),
        status=of(messages.STATUS),
        status_due=of(messages.STATUS),
        schedule=of(messages.SCHEDULE),
        schedule_sent=np.zeros(vehicles, np.uint8),
        reports=np.zeros((vehicles, _EDGES_A_STEP), EDGE),
    )


def tape(vehicles: int) -> Tape:
    """An empty tape for one stretch."""

    def of(dtype: np.dtype[Any], capacity: int) -> NDArray[np.void]:
        return np.zeros((vehicles, capacity), dtype)

    return Tape(
        told=np.ones(1, np.uint8),
        radio_period=np.zeros(1, np.int64),
        counts=np.zeros((vehicles, len(TAPE_COLUMNS)), np.int64),
        ends=np.zeros((STRETCH_STEPS, vehicles, len(TAPE_COLUMNS)), np.int64),
        readings=np.zeros((STRETCH_STEPS, vehicles), READING),
        weighed=np.zeros((STRETCH_STEPS, vehicles), WEIGHED),
        seen=of(TRACK, STRETCH_TICKS),
        wanted=of(TRACK, STRETCH_TICKS),
        imu=of(messages.IMU, STRETCH_TICKS),
        odometry=of(messages.ODOMETRY, STRETCH_TICKS),
        truth=of(messages.ODOMETRY, STRETCH_TICKS),
        wrench=of(messages.WRENCH, STRETCH_TICKS),
        reference=of(messages.ODOMETRY, STRETCH_TICKS),
        status=of(messages.STATUS, STRETCH_TICKS),
        ranges=of(messages.RANGES, STRETCH_TICKS),
        schedule=of(messages.SCHEDULE, STRETCH_TICKS),
        schedule_at=np.zeros((vehicles, STRETCH_TICKS), np.int64),
        edge=of(EDGE, STRETCH_STEPS * _EDGES_A_STEP),
        verdict=of(GUARD_VERDICT, STRETCH_STEPS * _VERDICTS_A_STEP),
    )


def draw(draws: Draws, ticks: int) -> Noise:
    """Random numbers for so many ticks."""
    return Noise(
        draws.imu(ticks),
        draws.tracking(ticks),
        draws.valves(ticks),
        draws.range_normals(ticks),
        draws.range_uniforms(ticks),
    )
