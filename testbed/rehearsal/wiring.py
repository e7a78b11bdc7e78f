"""The arrays that the engine's compiled loop works on: plant, flight side, what passes between, what is kept.

This file imports nothing that reads a plan, so that no kernel is compiled anew when cold code of plan/ changes.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import MAX_RANGES, PERIOD_NS, TICK_NS
from testbed.flight.guard import VERDICT as GUARD_VERDICT
from testbed.flight.guard.memory import MOST_NEWS
from testbed.flight.separation import MAX_PARTNERS, NEWS
from testbed.flight.separation.memory import MOST_NEWS as MOST_CONCERNS
from testbed.flight.stuck_valves import FINDING as VALVE_FINDING
from testbed.model.draws import RADIO_UNIFORMS, Draws
from testbed.model.edges import EDGE
from testbed.model.plant import Plant
from testbed.model.radio import LINK, SENDER, Radio
from testbed.model.radio import PARAMETERS as RADIO
from testbed.plan.stirs import WEIGHED
from testbed.plan.track import TRACK

STEP_TICKS: Final = PERIOD_NS["/plan/state"] // TICK_NS
"""Ticks from one step of the conductor to the next."""
STRETCH_STEPS: Final = 50
"""So many steps of the conductor may go by before Python is asked, at most."""
STRETCH_TICKS: Final = STRETCH_STEPS * STEP_TICKS
_EDGES_A_STEP: Final = 64
_VERDICTS_A_STEP: Final = 2 * MOST_NEWS
_CONCERNS_A_STEP: Final = 2 * MOST_CONCERNS
_FINDINGS_A_STEP: Final = 2 * messages.MAX_VALVES


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
    `radio`, `senders`, `links`: the model.Radio's own; `sending` (n,): what was sent last; `heard` (receiver, sender):
    what has come through, and again in `partners` (receiver, MAX_PARTNERS), in the order of the session without itself.
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
    radio: NDArray[np.void]
    senders: NDArray[np.void]
    links: NDArray[np.void]
    sending: NDArray[np.void]
    heard: NDArray[np.void]
    partners: NDArray[np.void]


Heard = tuple[int, NDArray[np.void]]
"""Stamp of a tick, and what each receiver has then of each sender, messages.ODOMETRY (receiver, sender)."""


class Noise(NamedTuple):
    """Random numbers for some ticks, first axis: tick; what senses or sends, for the tick that each leads to."""

    imu: NDArray[np.float64]
    tracking: NDArray[np.float64]
    valves: NDArray[np.float64]
    range_normals: NDArray[np.float64]
    range_uniforms: NDArray[np.float64]
    radio: NDArray[np.float64]


class Tape(NamedTuple):
    """Every message of a stretch of steps of the conductor, shape (n, capacity).

    `counts` (n, topics): how many there are; `ends` (steps, n, topics): how many there were after each step. `edge`
    holds what is sent at each step as well as each edge. `readings` (steps, n): what was measured at each step;
    `weighed` (steps, n): each tank after each quiet step. `seen` and `wanted`: what the conductor goes by of truth and
    reference. `heard` (capacity, receiver, sender): what the radio gave out at each of `heard_at`, `heard_count`
    (1,) times. `told` (1,): 0 where nobody listens but the conductor; then only these, readings and what the thruster
    drivers have to tell are kept.
    """

    told: NDArray[np.uint8]
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
    concern: NDArray[np.void]
    finding: NDArray[np.void]
    heard: NDArray[np.void]
    heard_at: NDArray[np.int64]
    heard_count: NDArray[np.int64]


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
    "concern",
    "finding",
)
IMU, ODOMETRY, TRUTH, WRENCH, REFERENCE, STATUS, RANGES, SCHEDULE, VALVE_EDGE, VERDICT, CONCERN, FINDING = range(
    len(TAPE_COLUMNS)
)


def plant_arrays(plant: Plant) -> PlantArrays:
    """The plant's own arrays, not copies."""
    return PlantArrays(plant.world, plant.vehicles, plant.world_state, plant.states)


def wires(vehicles: int, radio: Radio | None = None) -> Wires:
    """Silent wires; without a radio nobody hears of anybody."""

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
        radio=radio.parameters if radio else np.zeros(1, RADIO),
        senders=radio.senders if radio else np.zeros(0, SENDER),
        links=radio.links if radio else np.zeros((0, 0), LINK),
        sending=of(messages.ODOMETRY),
        heard=np.zeros((vehicles, vehicles), messages.ODOMETRY),
        partners=np.zeros((vehicles, MAX_PARTNERS), messages.ODOMETRY),
    )


def tape(vehicles: int, sendings: int = 0) -> Tape:
    """An empty tape for one stretch, in which the radio sends so many times at most."""

    def of(dtype: np.dtype[Any], capacity: int) -> NDArray[np.void]:
        return np.zeros((vehicles, capacity), dtype)

    return Tape(
        told=np.ones(1, np.uint8),
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
        concern=of(NEWS, STRETCH_STEPS * _CONCERNS_A_STEP),
        finding=of(VALVE_FINDING, STRETCH_STEPS * _FINDINGS_A_STEP),
        heard=np.zeros((sendings, vehicles, vehicles), messages.ODOMETRY),
        heard_at=np.zeros(sendings, np.int64),
        heard_count=np.zeros(1, np.int64),
    )


def draw(draws: Draws, ticks: int, sendings: NDArray[np.intp] | None = None) -> Noise:
    """Random numbers for so many ticks; `sendings`: those of them at which the radio sends."""
    radio = np.zeros((ticks, draws.vehicles, draws.vehicles, RADIO_UNIFORMS))
    if sendings is not None:
        radio[sendings] = draws.radio(len(sendings))
    return Noise(
        draws.imu(ticks),
        draws.tracking(ticks),
        draws.valves(ticks),
        draws.range_normals(ticks),
        draws.range_uniforms(ticks),
        radio,
    )
