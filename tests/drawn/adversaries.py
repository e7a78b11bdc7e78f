"""Adversaries in guidance's place: they ask a drawn vehicle in a drawn world for the worst wrenches, and never stop.

Between them and the plant's valves stands the thruster driver alone, with the true motion or with the estimator's. Each
has its own kind of malice, and goes to a limit for it: whenever the guard has let it be for a while, it pushes outward
until the guard objects.
"""

import math
from dataclasses import dataclass, replace
from enum import IntEnum

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, TICK_NS
from testbed.description.ticks import schedule_due, wrench_due
from testbed.flight.guard import Objection
from testbed.flight.guard.memory import DRIFT
from testbed.flight.thruster_driver import step as drive
from testbed.model.tracking import read_motion
from testbed.plan.configuration import load_configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.schema import SessionLimits
from testbed.rehearsal import wiring
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.engine import advance_tick, estimate, sense
from testbed.rehearsal.flight import flight_arrays
from tests.drawn.vehicles import drawn_vehicle, drawn_world

PLANS = {"table": "plans/first-float.yaml", "cabin": "plans/cabin-float.yaml"}
SPREAD = 0.25
"""Share by which an actual acceleration may differ from the believed one: mass, inertia, thrust and sag."""
LATE = 0.01
"""By how much later than believed a valve may act, s."""
FIRST_FIX = 3.0
"""Time that the estimator is given before the adversary begins, s."""


LET_BE = 2.0
"""Time without an objection after which an adversary goes to a limit, s."""


class Kind(IntEnum):
    """What an adversary asks for where the guard objects."""

    RANDOM = 0
    """Another wrench each period."""
    STUBBORN = 1
    """The same wrench for seconds."""
    OUTWARD = 2
    """Faster along its way, away from the middle, and spinning up."""
    BACK_AND_FORTH = 3
    """As OUTWARD, its sign changed every other period."""


@dataclass(frozen=True)
class Excess:
    """By how much limits were exceeded at worst: speed m/s, spin rad/s, work area m; and the margins reasoned for.

    objections: steps of 0.1 s in which the guard objected for the sake of a limit; travelled: way, m.
    """

    speed: float
    spin: float
    area: float
    speed_margin: float
    spin_margin: float
    area_margin: float
    objections: int
    travelled: float

    @property
    def kept(self) -> bool:
        """Whether all stayed within their margins."""
        return self.speed <= self.speed_margin and self.spin <= self.spin_margin and self.area <= self.area_margin


def fly_adversary(place: str, seed: int, kind: Kind, seconds: float, estimated: bool = False) -> Excess:
    """Fly one drawn vehicle in a drawn world under drawn limits."""
    generator = np.random.default_rng(seed)
    configuration = drawn_session(place, generator, seed)
    name = next(iter(configuration.vehicles))
    limits = flight_limits(configuration, name)
    plant, draws = build_plant(configuration, world=drawn_world(generator, configuration))
    arrays, flight = wiring.plant_arrays(plant), flight_arrays(configuration)
    wires, tape = wiring.wires(1), wiring.tape(1)
    low, high = (np.array(corner) for corner in limits.work_area)
    free = 2 if place == "table" else 3
    position = np.zeros(3)
    position[:free] = generator.uniform(low[:free], high[:free])
    turn = generator.normal(size=4) * ((0, 0, 1, 1) if place == "table" else 1)
    plant.place(0, position, turn / np.linalg.norm(turn), LOCKSTEP_START_NS)
    periods = round(seconds * 10) + 1
    wrenches = drawn_wrenches(generator, kind, periods, flight.driver[0]["guard"])
    pushes = drawn_pushes(generator, periods, flight.driver[0]["guard"])
    worst = np.array([-np.inf, -np.inf, -np.inf, 0.0])
    begin = LOCKSTEP_START_NS + (round(FIRST_FIX * 1e9) if estimated else 0)
    stamp, air, told, let_be = LOCKSTEP_START_NS, configuration.beacons.air_temperature, 0, math.inf
    centre = np.array(plant.vehicles[0]["centre_of_mass"])
    bounds = np.array([low, high])
    while stamp < begin + round(seconds * 1e9):
        noise = wiring.draw(draws, wiring.STEP_TICKS)
        number = max(stamp - begin, 0) // 100_000_000
        now, ask = (Kind.OUTWARD, pushes[number]) if let_be > LET_BE else (kind, wrenches[number])
        fly_step(
            arrays, flight, wires, noise, tape, stamp, wiring.STEP_TICKS, LOCKSTEP_START_NS,
            stamp >= begin, estimated, air, int(now), ask, bounds, centre, worst,
        )  # fmt: skip
        stamp += wiring.STEP_TICKS * TICK_NS
        met = bool(flight.driver_state[0]["guard"]["now"][Objection.SPEED :].any())
        told += met
        let_be = 0.0 if met else let_be + wiring.STEP_TICKS * TICK_NS * 1e-9
    fastest = min(limits.speed, math.sqrt(2.0 * limits.contact_energy / flight.driver[0]["guard"]["mass"]))
    speed_margin, spin_margin, area_margin = margins(flight.driver[0]["guard"], fastest, limits.spin, place)
    return Excess(
        worst[0] - fastest, worst[1] - limits.spin, worst[2], speed_margin, spin_margin, area_margin, told, worst[3]
    )


def margins(p, fastest: float, spin: float, place: str) -> tuple[float, float, float]:
    """Speed m/s, spin rad/s and way m that a guard may be wrong by.

    A period's acceleration differs from the believed one by SPREAD, it acts up to LATE s later, modulation owes up to a
    pulse per valve, and what pulls goes on for a period and its wait. In the time to stop that much speed is a way.
    """
    wait = (p["lead"] + p["delay"]) * 1e-9
    push = p["most_force"] / p["mass"]
    turn = p["most_torque"] * np.abs(np.linalg.eigvalsh(p["inverse_inertia"])).max()
    pull = DRIFT[place] * (p["period"] + wait)
    speed = push * (SPREAD * (p["period"] + wait) + LATE) + 2.0 * p["still_speed"] + pull
    turning = turn * (SPREAD * (p["period"] + wait) + LATE) + 2.0 * p["still_spin"]
    stop = fastest / p["slowest_push"] + spin / p["slowest_turn"]
    return speed, turning, speed * stop


def drawn_session(place: str, generator: np.random.Generator, seed: int):
    """A session of one drawn vehicle with drawn limits, each at or below its own."""
    configuration = load_configuration(locate(PLANS[place])).with_seed(seed)
    ((name, like),) = configuration.vehicles.items()
    vehicle = drawn_vehicle(generator, like)
    room = np.array([1.6, 1.3] if place == "table" else [1.8, 1.3, 1.0])
    centre, half = generator.uniform(-0.1, 0.1, len(room)), generator.uniform(0.3, 0.85, len(room)) * room
    limits = SessionLimits(
        speed=float(generator.uniform(0.4, 1.0) * vehicle.speed_limit(place)),
        spin_deg=float(generator.uniform(0.4, 1.0) * vehicle.limits.rate_deg),
        work_area=(tuple(centre - half), tuple(centre + half)),
        contact_energy=float(generator.uniform(0.005, 0.06)),
    )
    plan = configuration.plan.model_copy(update={"limits": limits})
    return replace(configuration, plan=plan, vehicles={name: vehicle})


def drawn_wrenches(generator: np.random.Generator, kind: Kind, periods: int, p) -> np.ndarray:
    """What to ask for in each period, shape (periods, 6): for OUTWARD and BACK_AND_FORTH sizes, else wrenches."""
    size = np.array([p["most_force"]] * 3 + [p["most_torque"]] * 3) * p["active"]
    if kind in (Kind.OUTWARD, Kind.BACK_AND_FORTH):
        sizes = np.repeat(generator.uniform(0.0, 3.0, (periods // 50 + 1, 6)), 50, axis=0)[:periods] * size
        sizes[1::2] *= -1.0 if kind == Kind.BACK_AND_FORTH else 1.0
        return sizes
    lengths = generator.integers(1, 80, periods) if kind == Kind.STUBBORN else np.ones(periods, int)
    drawn = generator.normal(size=(periods, 6)) * size * generator.uniform(0.1, 3.0, (periods, 1))
    drawn *= generator.uniform(size=(periods, 6)) < 0.7
    return np.repeat(drawn, lengths, axis=0)[:periods]


def drawn_pushes(generator: np.random.Generator, periods: int, p) -> np.ndarray:
    """Sizes as for OUTWARD, shape (periods, 6): never less than all that the valves give; in half of them no torque."""
    size = np.array([p["most_force"]] * 3 + [p["most_torque"]] * 3) * p["active"]
    drawn = generator.uniform(1.0, 3.0, (periods // 50 + 1, 6))
    drawn[:, 3:] *= generator.uniform(size=(len(drawn), 1)) < 0.5
    return np.repeat(drawn, 50, axis=0)[:periods] * size


@njit(cache=True)
def fly_step(
    plant, flight, wires, noise, tape, stamp, ticks, start, permit, estimated, air, kind, ask, bounds, centre, worst
):  # fmt: skip
    """A step as in rehearsal.engine.run_steps, the adversary in guidance's place; keeps the worst excess in `worst`."""
    tape.counts[:] = 0
    for tick in range(ticks):
        now = stamp + tick * TICK_NS
        advance_tick(plant, flight, wires, noise, tape, tick, now, permit)
        now += TICK_NS
        if estimated:
            cycle_over = sense(plant, wires, noise, tape, 0, tick, now, start)
            estimate(flight, wires, tape, 0, now, cycle_over, air)
        read_motion(plant.states[0], now, wires.truth[0])
        if wrench_due(now) and schedule_due(now, flight.modulation_period[0]):
            if not estimated:
                wires.odometry[0] = wires.truth[0]
            fill_wrench(wires.truth[0], kind, ask, bounds, wires.wrench[0])
            p, s = flight.driver[0], flight.driver_state[0]
            drive(p, s, wires.odometry[0], wires.partners[0], wires.wrench[0], permit, wires.schedule[0])
            wires.schedule_sent[0] = 1
        look(wires.truth[0], bounds, centre, worst)


@njit(cache=True)
def fill_wrench(truth, kind, ask, bounds, wrench):
    """What the adversary asks for, knowing the true motion."""
    wrench.stamp = truth.stamp
    for k in range(3):
        wrench.force[k], wrench.torque[k] = ask[k], ask[3 + k]
    if kind < 2:
        return
    outward = np.zeros(3)
    size = 0.0
    for k in range(3):
        if math.isfinite(bounds[0, k]):
            outward[k] = truth.position[k] - 0.5 * (bounds[0, k] + bounds[1, k])
            size += outward[k] ** 2
    along = rotation.rotate_inverse(truth.orientation, outward)
    speed, spin = 0.0, 0.0
    for k in range(3):
        speed += truth.linear_velocity[k] ** 2
        spin += truth.angular_velocity[k] ** 2
    for k in range(3):
        way = along[k] / math.sqrt(size + 1e-9) + truth.linear_velocity[k] / math.sqrt(speed + 1e-9)
        wrench.force[k] = abs(ask[0]) * way * (1.0 if ask[0] >= 0.0 else -1.0)
        wrench.torque[k] = ask[5] * (truth.angular_velocity[k] / math.sqrt(spin + 1e-12) if spin > 1e-9 else 1.0)
        wrench.torque[k] = wrench.torque[k] if ask[3 + k] != 0.0 else 0.0


@njit(cache=True)
def look(truth, bounds, centre, worst):
    """Fastest and fastest spin so far, farthest outside the area (negative inside), and the way travelled."""
    swing = rotation.cross(truth.angular_velocity, centre)
    speed, spin = 0.0, 0.0
    for k in range(3):
        speed += (truth.linear_velocity[k] + swing[k]) ** 2
        spin += truth.angular_velocity[k] ** 2
        worst[2] = max(worst[2], bounds[0, k] - truth.position[k], truth.position[k] - bounds[1, k])
    worst[0], worst[1] = max(worst[0], math.sqrt(speed)), max(worst[1], math.sqrt(spin))
    worst[3] += math.sqrt(speed) * TICK_NS * 1e-9
