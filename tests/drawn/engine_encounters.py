"""Encounters in the emulated plant: vehicles of the demo, each with its filter in its driver, chase each other.

Three on the table, two in the cabin. An adversary stands in guidance's place. Filters know the true motion or the
estimate; the last vehicle may be told to close its valves, and then coasts, unless one of them stays open.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.faults import ValveStuckOpen
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, TICK_NS
from testbed.description.ticks import schedule_due, wrench_due
from testbed.flight.guard import outlook
from testbed.flight.separation import Action
from testbed.flight.thruster_driver import step as drive
from testbed.model.faults import Faults
from testbed.model.tracking import read_motion
from testbed.plan.configuration import load_configuration
from testbed.plan.schema import SeparationLimit, SessionLimits
from testbed.rehearsal import wiring
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.engine import advance_tick, estimate, sense
from testbed.rehearsal.flight import flight_arrays
from tests.drawn.bodies import says
from tests.drawn.vehicles import drawn_world

MINIMUM = 0.52
ERRORS = {False: (0.001, 0.001), True: (0.016, 0.008)}
"""Stated of the true motion, and of the estimate, which claims up to 14 mm and 6 mm/s (three deviations) in motion."""
FIRST_FIX = 5.0
"""Time that the estimator is given before the adversaries begin, s."""
STARTS = {
    "table": ((-1.0, -0.6, 0.0), (0.0, 0.7, 0.0), (1.0, -0.6, 0.0)),
    "cabin": ((-0.7, -0.2, -0.2), (0.7, 0.2, 0.2)),
}
STRAY = {"table": 0.0095, "cabin": 0.031}
"""What is stated of a vehicle with a valve stuck open, m/s²: on the table 0.8 of a valve, the most that can be outrun;
in the cabin a whole one."""


@cache
def company(place):
    """The session's vehicles in a place, all of the demo's on the table."""
    demo = load_configuration(locate("plans/demo.yaml"))
    if place == "table":
        return demo
    cabin = load_configuration(locate("plans/cabin-float.yaml"))
    names = list(demo.vehicles)[:2]
    plan = cabin.plan.model_copy(update={"vehicles": {name: demo.plan.vehicles[name] for name in names}})
    return replace(cabin, plan=plan, vehicles={name: demo.vehicles[name] for name in names})


@dataclass(frozen=True)
class Flown:
    """least: separation less the minimum, m, until somebody touches a wall, which turns whoever has failed back harder
    than any thrust; unsaid: while a filter of the pair calls it sure, friends: of pairs with two filters, both to the
    end; acted, decisions, said: of filters."""

    least: float
    unsaid: float
    friends: float
    acted: int
    decisions: int
    said: int


def fly_engine(seed: int, seconds: float, estimated: bool, fails: str = "", place: str = "table") -> Flown:
    """Fly them in a drawn world. fails: "coasts" or "valve", what becomes of the last vehicle; else nothing."""
    generator = np.random.default_rng(seed)
    configuration = company(place).with_seed(seed)
    vehicles = list(configuration.vehicles.values())
    position_error, velocity_error = ERRORS[estimated]
    separation = SeparationLimit(
        minimum=MINIMUM, position_error=position_error, velocity_error=velocity_error,
        stray=STRAY[place] if fails == "valve" else 0.0,
    )  # fmt: skip
    changes = {"limits": SessionLimits(separation=separation)}
    configuration = replace(configuration, plan=configuration.plan.model_copy(update=changes))
    plant, draws = build_plant(configuration, world=drawn_world(generator, configuration))
    arrays, flight = wiring.plant_arrays(plant), flight_arrays(configuration)
    wires, tape = wiring.wires(len(vehicles)), wiring.tape(len(vehicles))
    for v, (x, y, z) in enumerate(STARTS[place]):
        angle = generator.uniform(-np.pi, np.pi)
        off = generator.uniform(-0.1, 0.1, 2)
        there = np.array([x + off[0], y + off[1], vehicles[v].shape.floor_height if place == "table" else z])
        plant.place(v, there, np.array(rotation.from_heading(angle)), LOCKSTEP_START_NS)
    told = np.array([np.inf, 0.0, 0.0, 0.0, np.inf, np.inf, 0.0])
    begin = LOCKSTEP_START_NS + round(FIRST_FIX * 1e9)
    fails_at = begin + round(generator.uniform(5.0, 20.0) * 1e9) if fails else 1 << 62
    breaks = [stuck(vehicles[-1], generator)] if fails == "valve" else []
    faults = Faults(plant, vehicles)
    speeds, stamp, air = generator.uniform(0.02, 0.06, 3), LOCKSTEP_START_NS, configuration.beacons.air_temperature
    targets = np.zeros(len(vehicles), dtype=np.int64)
    while stamp < begin + round(seconds * 1e9):
        if (stamp - LOCKSTEP_START_NS) % round(8e9) == 0:
            others = generator.integers(1, len(vehicles), len(vehicles))
            targets[:] = (np.arange(len(vehicles)) + others) % len(vehicles)
        faults.apply(breaks if stamp >= fails_at else [], stamp)
        noise = wiring.draw(draws, wiring.STEP_TICKS)
        fly_step(
            arrays, flight, wires, noise, tape, stamp, wiring.STEP_TICKS, LOCKSTEP_START_NS, begin, fails_at, estimated,
            air, targets, speeds, told,
        )  # fmt: skip
        stamp += wiring.STEP_TICKS * TICK_NS
    least, unsaid, friends = (float(told[k]) - MINIMUM for k in (0, 4, 5))
    return Flown(least, unsaid, friends, int(told[1]), int(told[2]), int(told[3]))


def stuck(vehicle, generator):
    """One of the valves that push along the floor stays open."""
    names = [valve.name for valve in vehicle.thrusters.valves if "vertical" not in valve.name]
    valve = str(generator.choice(names))
    return ValveStuckOpen(kind="valve_stuck_open", vehicle=vehicle.name, valve=valve, at=0.0)


@njit(cache=True)
def fly_step(
    plant, flight, wires, noise, tape, stamp, ticks, start, begin, fails, estimated, air, targets, speeds, told
):  # fmt: skip
    """A step as in rehearsal.engine.run_steps, adversaries in guidance's place, without a radio: all hear at once."""
    tape.counts[:] = 0
    n = len(plant.states)
    for tick in range(ticks):
        now = stamp + tick * TICK_NS
        advance_tick(plant, flight, wires, noise, tape, tick, now, now >= begin)
        now += TICK_NS
        for v in range(n):
            cycle_over = sense(plant, wires, noise, tape, v, tick, now, start)
            estimate(flight, wires, tape, v, now, cycle_over, air)
            read_motion(plant.states[v], now, wires.truth[v])
            if not estimated:
                wires.odometry[v] = wires.truth[v]
        if now >= begin:
            look(wires, flight.driver_state, now >= fails, told)
        if plant.world_state[0].contact_count > 0:
            told[6] = 1.0
        for v in range(n):
            if wrench_due(now) and schedule_due(now, flight.modulation_period[v]):
                permit = now >= begin and (v < n - 1 or now < fails)
                p, s = flight.driver[v], flight.driver_state[v]
                ask(wires, v, targets[v], speeds[v], p.guard.mass, wires.wrench[v])
                k = 0
                for other in range(n):
                    if other != v:
                        wires.partners[v, k] = wires.odometry[other]
                        k += 1
                drive(p, s, wires.odometry[v], wires.partners[v], wires.wrench[v], permit, wires.schedule[v])
                wires.schedule_sent[v] = 1
                if permit:
                    told[1] += s.separation.action >= Action.TRIMMED
                    told[2] += 1
                    told[3] += says(s.separation)


@njit(cache=True)
def ask(wires, v, target, speed, mass, wrench):
    """At `speed` straight at the target, keeping the heading, knowing the truth."""
    own, other = wires.truth[v], wires.truth[target]
    velocity = rotation.rotate(own.orientation, own.linear_velocity)
    gap = other.position - own.position
    size = outlook.length(gap) + 1e-9
    force = np.zeros(3)
    for a in range(3):
        force[a] = mass * (speed * gap[a] / size - velocity[a]) / 0.5
    body = rotation.rotate_inverse(own.orientation, (force[0], force[1], force[2]))
    wrench.stamp = own.stamp
    wrench.force[0], wrench.force[1], wrench.force[2] = body
    for a in range(3):
        wrench.torque[a] = -0.3 * own.angular_velocity[a]


@njit(cache=True)
def look(wires, drivers, failed, told):
    """Keep the least distance of any two; the last vehicle has a filter until it has failed."""
    n = len(wires.truth)
    for v in range(n):
        for other in range(v):
            apart = outlook.length(wires.truth[v].position - wires.truth[other].position)
            if told[6] == 0.0:
                told[0] = min(told[0], apart)
            if not says(drivers[other].separation) or not (says(drivers[v].separation) or (failed and v == n - 1)):
                told[4] = min(told[4], apart)
            if not (failed and v == n - 1):
                told[5] = min(told[5], apart)
