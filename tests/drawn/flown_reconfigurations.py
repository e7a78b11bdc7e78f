"""Drawn changes of formation flown by the engine: valves, estimator, guidance and planner, in a world that is drawn."""

import time as clock
from dataclasses import replace
from functools import cache

import numpy as np

from testbed.description import rotation
from testbed.description.estimation import EstimatorSettings
from testbed.description.faults import ValveStuckClosed, ValveStuckOpen, ValveWeak
from testbed.description.locate import locate
from testbed.description.messages import NS_PER_S
from testbed.flight.formation import Place
from testbed.plan.commands import SessionPhase
from testbed.plan.configuration import load_configuration
from testbed.plan.criteria_schema import Separation
from testbed.plan.formation_schema import Formation, PlaceList, PointFrame, SlotPlace
from testbed.plan.formations import formation_tasks, keeping
from testbed.plan.maneuvers import FormationStep, Pose
from testbed.plan.schema import Plan, Run, SeparationLimit, SessionLimits
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.wiring import TRUTH
from tests.drawn.reconfigurations import ARRIVED, RUN_LIMIT, STAYED, Flown, drawn, look
from tests.drawn.vehicles import drawn_world

VALVES = {
    (0, -1): ("front_left_along", "front_right_along"),
    (0, 1): ("back_left_along", "back_right_along"),
    (1, -1): ("front_left_side", "back_left_side"),
    (1, 1): ("front_right_side", "back_right_side"),
}
"""Valves of a demo vehicle by axis and sense of their push; each gives half the force on its side."""


SHARED_THRUST = 0.07
"""What all valves together may be off by, as the flight code believes, where some may go weak: else the estimate of one
that lags is far too sure of what its valves do, and circles its place."""
POSITION_ERROR = 0.019
"""Stated to the safety filters, m: with a valve stuck open and another that pushes against it, they claim 17 mm."""


@cache
def demo():
    """The demo, by people who expect valves to fail."""
    base = load_configuration(locate("plans/demo.yaml"))
    surroundings = base.noise.surroundings.model_copy(update={"shared_thrust": SHARED_THRUST})
    limits = SessionLimits(separation=SeparationLimit(position_error=POSITION_ERROR))
    plan = base.plan.model_copy(update={"limits": limits})
    return replace(base, noise=base.noise.model_copy(update={"surroundings": surroundings}), plan=plan)


@cache
def kept():
    """What a session of the demo's vehicles keeps, safety filters and all."""
    return keeping(demo())


def configuration_of(draw, seed):
    """The draw as a session of the demo's vehicles, safety filters and all: one run, in which all fly one formation.

    Their valves are reported at each tick.
    """
    base, count = demo(), len(draw.starts)
    files, planned = list(base.vehicles.values()), list(base.plan.vehicles.values())
    names = [f"vehicle_{k}" for k in range(count)]
    reported = {"estimator": EstimatorSettings(valve_forces="reported")}
    vehicles = {name: files[k % 3].model_copy(update={"name": name} | reported) for k, name in enumerate(names)}
    degrees = np.degrees(draw.headings)
    places = tuple(SlotPlace(x=x, y=y, heading_deg=turn) for (x, y, _), turn in zip(draw.goals, degrees, strict=True))
    wall = Formation(
        slots=PlaceList(kind="list", places=places), frame=PointFrame(kind="point", x=0.0, y=0.0), vehicles=names
    )
    step = FormationStep(kind="formation", formation="wall", duration=RUN_LIMIT)
    run = Run(
        name="change", purpose="A drawn change of formation.", time_limit=RUN_LIMIT + 10.0, settle=1.0,
        start={name: Pose(x=x, y=y, heading_deg=turn)
               for name, (x, y, _), turn in zip(names, draw.starts, degrees, strict=True)},
        maneuvers=dict.fromkeys(names, (step,)), faults=faults_of(draw, names, vehicles),
        criteria=(Separation(kind="separation", name="apart", minimum=0.52),),
    )  # fmt: skip
    plan = Plan(
        name="drawn", table=base.plan.table, beacons=base.plan.beacons, noise=base.plan.noise,
        vehicles={name: planned[k % 3] for k, name in enumerate(names)}, formations={"wall": wall}, runs=(run,),
        limits=base.plan.limits,
    )  # fmt: skip
    return replace(base, plan=plan, vehicles=vehicles, seed=seed)


WEAKER = 0.3
"""What a lag's share is raised by, to 0.5 to 0.8: in a world of points it bounds the thrust, here it scales all of it.
Guidance and estimator, which believe in the full thrust, hardly settle below half of it, planned anew or not."""


def faults_of(draw, names, vehicles):
    """What breaks, as a plan has it: all valves weak (a lag), one stuck open, or one stuck closed."""
    fault = draw.fault
    if fault is None:
        return ()
    name = names[fault.vehicle]
    if fault.share < 1.0:
        valves = [valve.name for valve in vehicles[name].thrusters.valves]
        return tuple(
            ValveWeak(kind="valve_weak", vehicle=name, valve=valve, factor=fault.share + WEAKER, at=fault.time)
            for valve in valves
        )
    if fault.weak:
        side = fault.weak[0]
        valve = VALVES[side % 2, 1 if side < 2 else -1][0]
        return (ValveStuckClosed(kind="valve_stuck_closed", vehicle=name, valve=valve, at=fault.time),)
    axis = 0 if fault.push[0] else 1
    valve = VALVES[axis, int(np.sign(fault.push[axis]))][0]
    return (ValveStuckOpen(kind="valve_stuck_open", vehicle=name, valve=valve, at=fault.time),)


def tasks_of(draw, configuration):
    """The formation as the plan has it, but each vehicle in the place that was drawn for it, and with the zones."""
    ((key, task),) = formation_tasks(configuration).items()
    names = list(configuration.vehicles)
    places = {
        name: Place((float(x), float(y), 0.0), rotation.from_heading(float(turn)))
        for name, (x, y, _), turn in zip(names, draw.goals, draw.headings, strict=True)
    }
    return {key: replace(task, places=places, limits={name: task.limits[name] for name in names}, zones=draw.zones)}


def fly_drawn(number, seed):
    """Draw `number` of a seed, and fly it."""
    generator = np.random.default_rng([seed, number])
    draw = drawn(number, generator, kept())
    return draw, fly_in_engine(draw, number, generator)


def fly_in_engine(draw, seed, generator):
    """Fly one draw until all have been in their places for a while, or the time is up; distances by the truth."""
    configuration = configuration_of(draw, seed)
    tasks = tasks_of(draw, configuration)
    rehearsal = LockstepRehearsal(configuration, drawn_world(generator, configuration), tasks)
    flown, begun, within_since = Flown(), None, np.inf
    time_plans(rehearsal.formation.formations, flown)
    while not rehearsal.sequence.finished:
        rehearsal.run()
        if rehearsal.sequence.phase is not SessionPhase.RUNNING:
            if begun is not None:
                break
            continue
        begun = rehearsal.sequence.since if begun is None else begun
        count = int(rehearsal.tape.counts[0, TRUTH])
        seen = rehearsal.tape.seen[:, :count]
        for row in range(count):
            now = (int(seen["stamp"][0, row]) - begun) / NS_PER_S
            if now < 0.0:
                continue
            positions = seen["position"][:, row] * [1.0, 1.0, 0.0]
            look(flown, draw, positions)
            there = np.max(np.linalg.norm((positions - draw.goals)[:, :2], axis=1)) < ARRIVED
            within_since = min(within_since, now) if there else np.inf
        if now - within_since >= STAYED:
            flown.arrived = within_since
            break
    return flown


def time_plans(formations, flown):
    """Let `flown` hear how long each plan takes, and what comes out."""
    plain = formations.step

    def step(*given):
        before = clock.perf_counter()
        told = plain(*given)
        took = clock.perf_counter() - before
        for planned in formations.news:
            flown.planning.append(took / len(formations.news))
            flown.outcomes.append(planned.outcome)
            flown.tight += planned.tight
        return told

    formations.step = step
