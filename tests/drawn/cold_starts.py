"""Cold starts: where a vehicle stands or drifts when its estimator is switched on, and what it then senses.

What is in view is decided from the actual geometry, before any estimator is asked: a beacon and a receiver see each
other where `flight_time` of the plant says so (inside the cone, nothing between). At the middle of every beacon cycle
of the three seconds, those that see a partner are counted; the smallest count of all cycles decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numba import njit
from scipy.spatial.transform import Rotation

from testbed.description.beacons import Beacon, Beacons
from testbed.description.cabin import Cabin
from testbed.description.effects import Actual
from testbed.description.messages import IMU, LOCKSTEP_START_NS, NS_PER_S, ODOMETRY, RANGES, TICK_NS
from testbed.description.table import Table
from testbed.flight.estimation import ACQUIRED, Estimator, accept_imu, accept_ranges
from testbed.model.plant import Plant
from testbed.model.ranging import flight_time
from testbed.plan.configuration import Configuration
from testbed.rehearsal import wiring
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.engine import ODOMETRY_NS, advance_plant, sense
from tests.drawn.vehicles import drawn_vehicle, drawn_world

FEWEST_BEACONS, FEWEST_RECEIVERS = 4, 3
FASTEST_SPIN = math.radians(10.0)
FASTEST_DRIFT = 0.05
"""Speed at the start, m/s: about what a hand that lets go leaves."""
POSITION_LIMIT = 0.02
ANGLE_LIMIT = {"table": math.radians(3.0), "cabin": math.radians(5.0)}


@dataclass(frozen=True)
class ColdStart:
    """Pose and motion of base_link when the estimator is switched on; velocity in fixed axes, rate in the body's."""

    position: np.ndarray
    orientation: np.ndarray
    velocity: np.ndarray
    rate: np.ndarray


def drawn_start(generator: np.random.Generator, configuration: Configuration) -> ColdStart:
    """Anywhere in the place, with any attitude, spin and drift that it allows; no wall is reached in three seconds."""
    (vehicle,) = configuration.vehicles.values()
    room, drift = configuration.room, 4.0 * FASTEST_DRIFT
    spin, speed = FASTEST_SPIN * generator.random(), FASTEST_DRIFT * generator.random()
    if isinstance(room, Table):
        low, high = np.array(room.working_area) + np.outer((1.0, -1.0), (drift, drift))
        x, y = generator.uniform(low, high)
        angle, way = generator.uniform(-math.pi, math.pi, 2)
        return ColdStart(
            position=np.array([x, y, 0.0]),
            velocity=speed * np.array([math.cos(way), math.sin(way), 0.0]),
            orientation=Rotation.from_euler("z", angle).as_quat(),
            rate=np.array([0.0, 0.0, spin * generator.choice([-1.0, 1.0])]),
        )
    half = 0.5 * np.array(room.size) - vehicle.shape.flight_radius - drift
    return ColdStart(
        position=generator.uniform(-half, half),
        velocity=speed * unit(generator.standard_normal(3)),
        orientation=Rotation.random(rng=generator).as_quat(),
        rate=spin * unit(generator.standard_normal(3)),
    )


def unit(vector: np.ndarray) -> np.ndarray:
    return vector / np.linalg.norm(vector)


@dataclass(frozen=True)
class Sensed:
    """What reaches the estimator tick by tick, the truth at each odometry tick, and what was in view."""

    imu: np.ndarray
    ranges: np.ndarray
    truth: np.ndarray
    beacons: int
    receivers: int

    @property
    def counts(self) -> bool:
        """Whether enough was in view at all times for the start to count."""
        return self.beacons >= FEWEST_BEACONS and self.receivers >= FEWEST_RECEIVERS


def sensed(configuration: Configuration, start: ColdStart, world: Actual | None = None, seconds: float = 3.0) -> Sensed:
    """Let the plant float until so long after the first pulse."""
    return sensed_from(configuration, (start,), world, seconds)


def sensed_from(
    configuration: Configuration, starts: Sequence[ColdStart], world: Actual | None, seconds: float
) -> Sensed:
    """Let the plant float from one start after the other, so long from each: lifted and put down in between.

    beacons, receivers: the fewest in view at once.
    """
    plant, draws = build_plant(configuration, world=world)
    arrays, wires, tape = wiring.plant_arrays(plant), wiring.wires(1), wiring.tape(1)
    cycle = configuration.beacons.cycle_ns
    pulse = -LOCKSTEP_START_NS % cycle // TICK_NS
    each = round(seconds * NS_PER_S) // TICK_NS
    ticks = pulse + each * len(starts)
    cycles = (ticks - pulse) * TICK_NS // cycle
    imu, ranges = np.zeros(ticks + 1, IMU), np.zeros(cycles, RANGES)
    truth = np.zeros(ticks * TICK_NS // ODOMETRY_NS + 1, ODOMETRY)
    (vehicle,) = configuration.vehicles.values()
    view = np.zeros((cycles, len(configuration.beacons.beacons), len(vehicle.receivers)), np.bool_)
    for number, start in enumerate(starts):
        first, last = number and pulse + number * each, pulse + (number + 1) * each + (number == len(starts) - 1)
        put(plant, start, LOCKSTEP_START_NS + first * TICK_NS)
        noise = wiring.draw(draws, last - first)
        _float(arrays, wires, noise, tape, first, imu[first:last], ranges, truth, view)
    return Sensed(imu, ranges, truth, int(view.any(axis=2).sum(axis=1).min()), int(view.any(axis=1).sum(axis=1).min()))


def put(plant: Plant, start: ColdStart, stamp: int) -> None:
    """Put the one vehicle there at `stamp` (ns) and set it going."""
    plant.place(0, start.position, start.orientation, stamp)
    state = plant.states[0]
    state["rate"] = start.rate
    state["velocity"] = start.velocity
    state["linear_velocity"] = Rotation.from_quat(start.orientation).inv().apply(start.velocity)


@njit(cache=True)
def _float(
    plant: Any, wires: Any, noise: Any, tape: Any, first: int, imu: Any, ranges: Any, truth: Any, view: Any
) -> None:
    """Go through the ticks of `imu`, the first of which has the number `first`; the other arrays are of all ticks."""
    cycle = plant.world[0].cycle
    before = (LOCKSTEP_START_NS + cycle - 1) // cycle
    for tick in range(len(imu)):
        stamp = LOCKSTEP_START_NS + (first + tick) * TICK_NS
        number = stamp // cycle - before  # of the cycle in work, negative until the first pulse
        tape.counts[:] = 0
        if sense(plant, wires, noise, tape, 0, tick, stamp, LOCKSTEP_START_NS):
            ranges[number - 1] = wires.ranges[0]
        imu[tick] = wires.imu[0]
        if stamp % ODOMETRY_NS == 0:
            truth[(stamp - LOCKSTEP_START_NS) // ODOMETRY_NS] = wires.truth[0]
        since = stamp % cycle
        if 0 <= number < len(view) and since <= cycle // 2 < since + TICK_NS:
            for beacon in range(view.shape[1]):
                for receiver in range(view.shape[2]):
                    where = plant.world[0].beacon_position[beacon]
                    flight = flight_time(plant.world[0], plant.vehicles, plant.states, 0, where, receiver, 0.0)
                    view[number, beacon, receiver] = flight > 0.0
        advance_plant(plant, noise, tick, stamp)


@dataclass(frozen=True)
class Found:
    """When the estimate was there, s after the first pulse (infinite: not in time), and its error, m and rad."""

    seconds: float
    distance: float
    angle: float
    allowed: float

    @property
    def claimed(self) -> bool:
        """Whether a pose was published in time."""
        return math.isfinite(self.seconds)

    @property
    def good(self) -> bool:
        """Whether it was as near as is asked for: 2 cm, and 3 degrees on the table or 5 in the cabin."""
        return self.distance < POSITION_LIMIT and self.angle < self.allowed

    @property
    def wrong(self) -> bool:
        """Whether a pose was published that was farther off."""
        return self.claimed and not self.good

    @property
    def elsewhere(self) -> bool:
        """Whether it was another pose altogether, as on the mirror side."""
        return self.claimed and (self.distance > 0.1 or self.angle > math.radians(20.0))


def found(estimator: Estimator, heard: Sensed, allowed: float) -> Found:
    """Let an estimator hear what was sensed, until it says that it knows the pose."""
    cycle = int(heard.ranges[1]["stamp"] - heard.ranges[0]["stamp"])
    at = _listen(estimator.parameters, estimator.state, heard.imu, heard.ranges, heard.truth, cycle)
    if at < 0:
        return Found(math.inf, math.inf, math.inf, allowed)
    truth = heard.truth[at]
    odometry = estimator.output(int(truth["stamp"]))
    turn = abs(float(np.dot(odometry["orientation"], truth["orientation"])))
    distance = float(np.linalg.norm(odometry["position"] - truth["position"]))
    angle = 2.0 * math.acos(min(turn, 1.0))
    return Found((int(truth["stamp"]) - int(heard.ranges[0]["stamp"])) / NS_PER_S, distance, angle, allowed)


@njit(cache=True)
def _listen(p: Any, s: Any, imu: Any, ranges: Any, truth: Any, cycle: int) -> int:
    cycles, odometries = 0, 0
    for tick in range(len(imu)):
        accept_imu(p[0], s[0], imu[tick])
        if cycles < len(ranges) and imu[tick].stamp == ranges[cycles].stamp + cycle:
            accept_ranges(p[0], s[0], ranges[cycles])
            cycles += 1
        if imu[tick].stamp == truth[odometries].stamp:
            if s[0].phase == ACQUIRED:
                return odometries
            odometries += 1
    return -1


def drawn_beacons(generator: np.random.Generator, like: Beacons, room: Cabin, number: int) -> Beacons:
    """Beacons on the walls of a cabin, spread as a person would: each in turn the farthest of some random places."""
    half = 0.5 * np.array(room.size) - 0.05
    places = [wall_place(generator, half)]
    while len(places) < number:
        candidates = [wall_place(generator, half) for _ in range(8)]
        places.append(max(candidates, key=lambda c: min(np.linalg.norm(c - place) for place in places)))
    beacons = tuple(Beacon(position=tuple(float(value) for value in place)) for place in places)
    return like.model_copy(update={"beacons": beacons})


def wall_place(generator: np.random.Generator, half: np.ndarray) -> np.ndarray:
    """A place on one of the six walls of a box."""
    place = generator.uniform(-half, half)
    axis = generator.integers(3)
    place[axis] = half[axis] * generator.choice([-1.0, 1.0])
    return place


@dataclass(frozen=True)
class Session:
    """One cold start: what was believed, what was heard, what came of it."""

    believed: Configuration
    heard: Sensed
    found: Found


def sessions(base: Configuration, seeds: Iterator[int], beacons: int | None = None) -> Iterator[Session]:
    """Sessions that count, one after the other: vehicle, actual world and start drawn for each seed.

    beacons: so many on the cabin's walls drawn anew, four cycles a second, or None for those of the file.
    """
    for seed in seeds:
        generator = np.random.default_rng(seed)
        one = drawn_session(generator, base.with_seed(seed))
        if beacons:
            layout = drawn_beacons(generator, base.beacons, base.room, beacons)
            one = replace(one, beacons=layout.model_copy(update={"cycle": 0.25}))
        heard = sensed(one, drawn_start(generator, one), drawn_world(generator, one))
        if heard.counts:
            yield Session(one, heard, found(new_estimator(one), heard, ANGLE_LIMIT[one.place]))


def drawn_session(generator: np.random.Generator, configuration: Configuration) -> Configuration:
    """The same session with its one vehicle drawn."""
    ((name, like),) = configuration.vehicles.items()
    return replace(configuration, vehicles={name: drawn_vehicle(generator, like)})


def new_estimator(configuration: Configuration) -> Estimator:
    """The estimator of a session's one vehicle."""
    (vehicle,) = configuration.vehicles.values()
    one = configuration
    return Estimator(vehicle, one.beacons, one.noise, one.place, one.active_axes, one.room)
