"""Dockings in the emulated plant: one vehicle of the demo docks to another that holds still or spins, in drawn worlds.

Both have their estimators, safety filters, guards and thruster drivers, and know of each other by radio alone. The
partner's guidance holds its place, with a heading that stays or turns; in the cabin it may coast with its spin. Docking
stands in guidance's place for the other.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
from numba import njit

from testbed.description import rotation
from testbed.description.locate import locate
from testbed.description.maneuver import Maneuver, Waypoint
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.description.noise import RadioNoise
from testbed.description.ticks import schedule_due, wrench_due
from testbed.flight.docking import Docking, Failure, Phase, docking
from testbed.flight.guidance import guidance as guiding
from testbed.flight.separation import Action
from testbed.flight.thruster_driver import step as drive
from testbed.model.ports import Capture
from testbed.plan.configuration import load_configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.separation import kept_standing, minimum
from testbed.rehearsal import wiring
from testbed.rehearsal.build import build_plant, build_radio
from testbed.rehearsal.engine import advance_tick, estimate, sense
from testbed.rehearsal.flight import flight_arrays
from testbed.rehearsal.radio import give_out, take_up
from tests.drawn.vehicles import drawn_world

FIRST_FIX = 5.0
SPIN_UP = 20.0
"""Times that estimators and a partner that is to spin are given before docking begins, s."""
LONGEST = 240.0
"""Docking that has not ended by then has failed, s."""
MISS = np.dtype(
    [
        ("lateral", "f8"), ("angle", "f8"), ("closing", "f8"), ("slip", "f8"), ("rate", "f8"), ("touched", "i8"),
        ("acted", "i8"), ("decisions", "i8"), ("acted_near", "i8"), ("saturated", "i8"), ("closed", "i8"),
    ]
)  # fmt: skip


@dataclass(frozen=True)
class Docked:
    """How a docking ended. Miss at first touch: m, rad, m/s, m/s, rad/s; force: largest of any contact, N."""

    seed: int
    spin: float
    phase: Phase
    failure: Failure
    retreats: int
    time: float
    joined: bool
    miss: np.void
    touches: tuple[str, ...]
    force: float
    began: dict[Phase, float]
    trail: list

    @property
    def good(self) -> bool:
        """Whether it is docked."""
        return self.phase == Phase.DOCKED and self.joined


@dataclass
class Session:
    """What a docking is flown with."""

    configuration: object
    plant: object
    draws: object
    radio: object
    flight: object
    docking: Docking


def session(seed: int, place: str, generator, radio: RadioNoise | None = None) -> Session:
    """Two vehicles of the demo in a drawn world; the first docks to the second. radio: other than the files'."""
    demo = load_configuration(locate("plans/demo.yaml"))
    room = demo if place == "table" else load_configuration(locate("plans/cabin-float.yaml"))
    names = [str(name) for name in generator.permutation(list(demo.vehicles))[:2]]
    vehicles = {name: demo.vehicles[name] for name in names}
    configuration = replace(room, vehicles=vehicles).with_seed(seed)
    configuration = replace(configuration, vehicles=vehicles)
    world = drawn_world(generator, configuration)
    if radio is not None:
        world = replace(world, noise=world.noise.model_copy(update={"radio": radio}))
    plant, draws = build_plant(configuration, world=world)
    one, other = vehicles.values()
    own = Docking(
        one, other, configuration.place, configuration.active_axes, flight_limits(configuration, names[0]).speed,
        minimum(configuration), kept_standing(configuration, names[0])[names[1]],
    )  # fmt: skip
    return Session(configuration, plant, draws, build_radio(configuration, world), flight_arrays(configuration), own)


def dock(
    seed: int,
    spin_deg: float = 0.0,
    place: str = "table",
    trail: bool = False,
    radio: RadioNoise | None = None,
    release: bool = False,
) -> Docked:
    """Fly one docking; spin_deg: of the partner, degrees per second; release: let go again, back off and get clear."""
    generator = np.random.default_rng(seed)
    it = session(seed, place, generator, radio)
    coasts = place == "cabin" and spin_deg != 0.0
    put(it, place, generator)
    spin = math.radians(spin_deg)
    begin = LOCKSTEP_START_NS + round(FIRST_FIX * NS_PER_S)
    hold(it, begin, spin if not coasts else 0.0)
    starts = begin + (round(SPIN_UP * NS_PER_S) if spin else 0)
    sendings = it.radio.period
    wires, tape = wiring.wires(2, it.radio), wiring.tape(2, wiring.STRETCH_TICKS)
    tape.told[0] = 0
    told = np.zeros(1, MISS)
    arrays = wiring.plant_arrays(it.plant)
    stamp, air = LOCKSTEP_START_NS, it.configuration.beacons.air_temperature
    it.plant.command_latch(1, 0, True, stamp)
    engaged, joined, force, touches, state, began, points = False, False, 0.0, [], it.docking.state[0], {}, []
    if coasts:
        spin_up(it, spin, generator)
    while stamp < starts + round(LONGEST * NS_PER_S):
        if stamp == starts:
            it.docking.begin()
        ticks = np.arange(wiring.STEP_TICKS)
        due = [k for k in ticks if (stamp + (k + 1) * TICK_NS) % sendings == 0]
        noise = wiring.draw(it.draws, wiring.STEP_TICKS, np.array(due, dtype=np.intp))
        latched = int(it.plant.states[0]["port_latch"][0]) >= 0
        fly_step(
            arrays, it.flight, it.docking.parameters, it.docking.state, wires, noise, tape, stamp, wiring.STEP_TICKS,
            LOCKSTEP_START_NS, begin, latched, coasts, air, told,
        )  # fmt: skip
        stamp += wiring.STEP_TICKS * TICK_NS
        for contact in it.plant.take_contacts():
            force = max(force, contact.peak_force)
            if contact.capture != Capture.NONE:
                touches.append((contact.stamp, contact.capture.name))
        if bool(state["engaged"]) != engaged:
            engaged = bool(state["engaged"])
            it.plant.command_latch(0, 0, engaged, stamp)
        phase = Phase(state["phase"])
        if phase not in began:
            began[phase] = (stamp - starts) / NS_PER_S
        if trail:
            points.append(point(it, wires, stamp, starts))
        joined = it.plant.root(0) == it.plant.root(1)
        if release and phase == Phase.DOCKED and joined:
            it.docking.release(stamp)
        elif stamp > starts and phase in (Phase.DOCKED, Phase.FAILED, Phase.CLEAR):
            break
    names = tuple(name for _, name in dict.fromkeys(touches))
    return Docked(
        seed, spin_deg, Phase(state["phase"]), it.docking.failure, int(state["retreats"]),
        (stamp - starts) / NS_PER_S, joined, told[0], names, force, began, points,
    )  # fmt: skip


def put(it: Session, place: str, generator) -> None:
    """Put both down: the partner near the middle, the other somewhere around it."""
    shape = next(iter(it.configuration.vehicles.values())).shape
    while True:
        middle, angle = generator.uniform(-0.12, 0.12, 3), generator.uniform(-math.pi, math.pi)
        away, up = generator.uniform(1.15, 1.45), generator.uniform(-0.3, 0.3)
        there = middle + np.array([away * math.cos(angle), away * math.sin(angle), up])
        if abs(there[0]) < 1.45 and abs(there[1]) < 1.15 and abs(there[2]) < 0.8:
            break
    headings = generator.uniform(-math.pi, math.pi, 2)
    for v, where in ((0, there), (1, middle)):
        if place == "table":
            where[2] = shape.floor_height
        it.plant.place(v, where, np.array(rotation.from_heading(headings[v])), LOCKSTEP_START_NS)


def hold(it: Session, begin: int, spin: float) -> None:
    """Tell the partner's guidance to hold its place, with a heading that turns by `spin` rad/s or stays."""
    state = it.plant.states[1]
    position, heading = state["position"], rotation.heading(state["orientation"])
    last = begin + 3600 * NS_PER_S
    if spin == 0.0:
        task = Maneuver(number=1, run="a", attempt=1, kind="hold", start=begin, expiry=last)
    else:
        times = [18.0 * (k + 1) for k in range(16)]
        x, y, z = (float(value) for value in position)
        points = tuple(
            Waypoint(time=t, x=x, y=y, z=z, heading_deg=math.degrees(math.remainder(heading + spin * t, 2 * math.pi)))
            for t in times
        )
        task = Maneuver(number=1, run="a", attempt=1, kind="track", start=begin, expiry=last, waypoints=points)
    guiding.accept_maneuver(it.flight.guidance[1], it.flight.guidance_state[1], task.record()[0])
    own = it.flight.guidance_state[0]["maneuver"]
    own["speed_limit"], own["rate_limit"] = it.flight.guidance[0]["speed_limit"], it.flight.guidance[0]["rate_limit"]


def spin_up(it: Session, spin: float, generator) -> None:
    """Let the partner spin about an axis within 10 degrees of z, across which its port lies."""
    lean = math.radians(10.0) * generator.uniform()
    side = generator.uniform(-math.pi, math.pi)
    axis = (math.sin(lean) * math.cos(side), math.sin(lean) * math.sin(side), math.cos(lean))
    it.plant.states[1]["rate"] = spin * np.array(axis)


def point(it: Session, wires, stamp: int, starts: int) -> tuple:
    """What a trail keeps of a moment."""
    s = it.docking.state[0]
    true = it.plant.states
    return (
        (stamp - starts) / NS_PER_S, Phase(s["phase"]).name, float(np.linalg.norm(s["seen"]["place"])),
        float(s["seen_gap"]), 1e3 * float(s["seen_lateral"]), math.degrees(s["seen_angle"]),
        1e3 * float(s["seen_closing"]), 1e3 * float(s["seen_slip"]), math.degrees(s["seen_rate"]),
        float(np.linalg.norm(true[0]["position"] - true[1]["position"])),
        Action(it.flight.driver_state[0]["separation"]["action"]).name,
        Action(it.flight.driver_state[1]["separation"]["action"]).name,
        int(it.flight.driver_state[0]["guard"]["action"]), float(s["gap"]),
        bool(it.flight.guidance_state[0]["saturated"]),
        np.round(1e3 * wires.wrench[0]["force"], 0), np.round(1e3 * wires.wrench[0]["torque"], 0),
    )  # fmt: skip


@njit(cache=True)
def fly_step(
    plant, flight, p, s, wires, noise, tape, stamp, ticks, start, begin, latched, coasts, air, told
):  # fmt: skip
    """As one step in rehearsal.engine.run_steps, with docking in the place of the first vehicle's guidance."""
    tape.counts[:] = 0
    tape.heard_count[0] = 0
    for tick in range(ticks):
        now = stamp + tick * TICK_NS
        permit = now >= begin
        advance_tick(plant, flight, wires, noise, tape, tick, now, permit)
        now += TICK_NS
        give_out(wires, tape, now)
        for v in range(2):
            cycle_over = sense(plant, wires, noise, tape, v, tick, now, start)
            estimate(flight, wires, tape, v, now, cycle_over, air)
            if not wrench_due(now):
                continue
            guide, state, driver = flight.guidance[v], flight.guidance_state[v], flight.driver_state[v]
            if v == 0:
                docking.step(
                    p[0], s[0], guide, state, wires.odometry[0], wires.partners[0, 0], latched, wires.disturbance[0],
                    wires.wrench[0],
                )  # fmt: skip
            else:
                guiding.step(
                    guide, state, wires.odometry[1], wires.disturbance[1], wires.wrench[1], wires.reference[1],
                    wires.status[1],
                )  # fmt: skip
                if coasts:
                    wires.wrench[1].force[:] = 0.0
                    wires.wrench[1].torque[:] = 0.0
            if schedule_due(now, flight.modulation_period[v]):
                docking.grant(p[0], s[0], driver.separation.permit, 0, v)
                drive(
                    flight.driver[v], driver, wires.odometry[v], wires.partners[v], wires.wrench[v], permit,
                    wires.schedule[v],
                )  # fmt: skip
                wires.schedule_sent[v] = 1
                if permit and v == 0 and s[0].phase != Phase.IDLE:
                    acted = driver.separation.action >= Action.TRIMMED
                    told[0].decisions += 1
                    told[0].acted += acted
                    told[0].acted_near += acted and s[0].phase >= Phase.ENTERING and s[0].phase <= Phase.LATCHED
                    told[0].closed += driver.guard.action > 0
                    told[0].saturated += state.saturated
        take_up(wires, noise.radio[tick], now)
        if s[0].engaged and not told[0].touched:
            told[0].touched = plant.world_state[0].contact_count > 0
            if not told[0].touched:
                look(plant, told[0])


@njit(cache=True)
def look(plant, told):
    """Keep what the ports miss each other by, truly."""
    one, other = plant.states[0], plant.states[1]
    p, q = plant.vehicles[0], plant.vehicles[1]
    front, its = np.zeros(3), np.zeros(3)
    front[:] = rotation.rotate(one.orientation, p.port_position[0])
    its[:] = rotation.rotate(other.orientation, q.port_position[0])
    facing, its_facing = np.zeros(3), np.zeros(3)
    facing[:] = rotation.rotate(one.orientation, p.port_direction[0])
    its_facing[:] = rotation.rotate(other.orientation, q.port_direction[0])
    spin, its_spin = np.zeros(3), np.zeros(3)
    spin[:] = rotation.rotate(one.orientation, one.rate)
    its_spin[:] = rotation.rotate(other.orientation, other.rate)
    v, u = np.zeros(3), np.zeros(3)
    v[:] = rotation.rotate(one.orientation, one.linear_velocity)
    v[:] += np.array(rotation.cross(spin, front))
    u[:] = rotation.rotate(other.orientation, other.linear_velocity)
    u[:] += np.array(rotation.cross(its_spin, its))
    away = one.position + front - other.position - its
    if told.touched == 0 and q.inverse_mass[2] == 0.0:
        away[2] = 0.0
    axis = its_facing - facing
    axis /= np.sqrt(np.sum(axis**2))
    along = np.sum(away * axis)
    told.lateral = np.sqrt(np.sum((away - along * axis) ** 2))
    told.closing = -np.sum((v - u) * axis)
    told.slip = np.sqrt(np.sum((v - u + told.closing * axis) ** 2))
    told.rate = np.sqrt(np.sum((spin - its_spin) ** 2))
    c = np.array(rotation.cross(facing, its_facing))
    told.angle = math.atan2(np.sqrt(np.sum(c**2)), -np.sum(facing * its_facing))
