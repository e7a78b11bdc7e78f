"""Drawn changes of formation, and how they are flown: the planner and its replanning against any world of vehicles."""

import math
import time as clock
from dataclasses import dataclass, field

import numpy as np

from testbed.flight.formation import slots
from testbed.flight.formation.assignment import assign
from testbed.flight.formation.course import Replanning, begin, watch
from testbed.flight.formation.frame import Frame
from testbed.flight.formation.planner import Outcome
from testbed.flight.formation.task import Keeping, Limits, Task
from testbed.flight.formation.trajectories import resting
from testbed.flight.formation.zones import Area, Zone
from tests.drawn import floating_points
from tests.drawn.floating_points import Fault, FloatingPoints

HALF = np.array([1.6, 1.3])
"""Half of the demo table's working area, m."""
OUTLINE = 3.6 * 3.0
"""Area of the demo table, m²."""
KEEPING = Keeping(required=0.52, margin=0.06, body=0.20, spare=0.06)
LIMITS = Limits(acceleration=0.6 * floating_points.STRENGTH, speed=0.06)
LONGEST = 3.6
"""Of a line, m."""
RULE = Replanning()
RUN_LIMIT = 120.0
"""Time within which all vehicles are to be in their slots, s."""
ARRIVED, STAYED = 0.05, 3.0
"""Distance to its slot at which a vehicle counts as there, m, and for how long all of them must be, s."""


@dataclass(frozen=True)
class Draw:
    """starts and goals (V, 3) m: vehicle k goes to goals[k]; pinned: as drawn, else as assigned."""

    starts: np.ndarray
    goals: np.ndarray
    headings: np.ndarray
    zones: tuple[Zone, ...]
    fault: Fault | None
    pinned: bool

    @property
    def crossing(self):
        """Whether two of the straight ways from start to goal intersect."""
        a, b = self.starts[:, :2], self.goals[:, :2]
        one, other = np.triu_indices(len(a), 1)
        return any(intersect(a[i], b[i], a[j], b[j]) for i, j in zip(one, other, strict=True))

    def straight_separation(self):
        """Least distance of two vehicles, m, if all went straight, starting and arriving together."""
        way = np.linspace(0.0, 1.0, 201)[:, None, None]
        positions = self.starts + way * (self.goals - self.starts)
        return min(slots.least_spacing(one) for one in positions)

    def task(self):
        """The draw as a task of the planner at time 0."""
        return Task(
            0.0, self.starts, np.zeros_like(self.starts), tuple(resting(goal) for goal in self.goals),
            (LIMITS,) * len(self.starts), KEEPING, Area.box(-HALF, HALF), self.zones,
        )  # fmt: skip


def intersect(a, b, c, d):
    """Whether the segments from a to b and from c to d have a point in common."""

    def turn(p, q, r):
        return np.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0]))

    return turn(a, b, c) != turn(a, b, d) and turn(c, d, a) != turn(c, d, b)


def drawn(number, generator, keeping=KEEPING):
    """Draw `number`: 3 to 6 vehicles; one of ten lags, one of ten has a failed valve, and half have pinned slots.

    Starts and slots are as far apart as `keeping` plans, or more.
    """
    count = 3 + number % 4
    zones = ()
    if generator.random() < 0.3:
        zones = (Zone.ball(generator.uniform(-0.8, 0.8, 2), generator.uniform(0.05, 0.25)),)
    starts, goals = (places(count, zones, generator, keeping) for _ in range(2))
    pinned = bool(generator.random() < 0.5)
    chosen = generator.permutation(count) if pinned else assign(starts, goals)
    headings = generator.uniform(-np.pi, np.pi, count)
    goals = goals[chosen]
    farthest = int(np.argmax(np.linalg.norm(goals - starts, axis=1)))
    return Draw(starts, goals, headings, zones, fault(number, count, farthest, generator), pinned)


def places(count, zones, generator, keeping):
    """Places of a formation: anywhere, or a line, a ring or a block with neighbours at the least distance or more.

    Anywhere, too, where a line of so many is longer than the table.
    """
    shape = generator.choice(["anywhere", "line", "ring", "block"], p=[0.55, 0.15, 0.15, 0.15])
    least = keeping.planned + 1e-6
    if shape == "line" and (count - 1) * least > LONGEST:
        shape = "anywhere"
    for _ in range(1_000_000):
        if shape == "anywhere":
            points = np.column_stack([generator.uniform(-HALF, HALF, (count, 2)), np.zeros(count)])
        else:
            points = posed(str(shape), count, least + generator.exponential(0.1), generator)
        inside = np.all(np.abs(points[:, :2]) <= HALF)
        clear = all(np.all(zone.distance(points[:, :2]) >= keeping.clearance) for zone in zones)
        if inside and clear and slots.least_spacing(points) >= least - 1e-9:
            return points
    raise AssertionError("no place for a formation")


def posed(shape, count, spacing, generator):
    """A formation of one shape somewhere on the table."""
    block = spacing * np.array([[k % 2, k // 2, 0.0] for k in range(count)])
    local = {
        "line": slots.line(count, min(spacing, LONGEST / max(count - 1, 1))),
        "ring": slots.ring(count, spacing),
        "block": block - block.mean(axis=0),
    }[shape]
    middle = generator.uniform(-HALF, HALF)
    frame = Frame.at_point((float(middle[0]), float(middle[1]), 0.0), generator.uniform(-np.pi, np.pi))
    return np.array([slot.at(np.zeros(1))[0][0] for slot in slots.carried(frame, local)])


def fault(number, count, farthest, generator):
    """In one of five: a lag, a valve that stays open, a lag, or one that stays closed; by turns for each count.

    Who has the farthest to go lags: the others mostly have authority to spare.
    """
    kind = number // 20 % 4
    vehicle, time = int(generator.integers(count)), float(generator.uniform(0.0, 25.0))
    if number % 5:
        return None
    if kind in (0, 2):
        return Fault(farthest, time, share=float(generator.uniform(0.2, 0.5)))
    if kind == 1:
        axis, sense = generator.integers(2), generator.choice([-1.0, 1.0])
        thrust = 0.15 * float(sense)  # of the demo vehicles' valves, along either axis
        return Fault(vehicle, time, push=(thrust, 0.0) if axis == 0 else (0.0, thrust))
    return Fault(vehicle, time, weak=(int(generator.integers(4)),))


@dataclass
class Flown:
    """Least distance between two vehicles and to a zone's edge by the truth, m; largest way out of the working area, m.

    arrived: when all vehicles were in their slots, s after the start; planning: time that each plan took, s.
    """

    separation: float = math.inf
    clearance: float = math.inf
    beyond: float = -math.inf
    arrived: float = math.inf
    planning: list[float] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    tight: int = 0

    def planned(self, course, took):
        """Note a plan."""
        self.planning.append(took)
        self.outcomes.append(course.plan.outcome)
        self.tight += course.plan.tight


def fly(draw, generator, world_of=FloatingPoints, rule=RULE, limit=RUN_LIMIT):
    """Fly one draw as the formation's node does; `world_of(starts, headings, fault, generator)` builds the world."""
    world, flown = world_of(draw.starts, draw.headings, draw.fault, generator), Flown()
    begun = clock.perf_counter()
    course = begin(draw.task())
    flown.planned(course, clock.perf_counter() - begun)
    coming, within_since = None, math.inf
    for tick in range(round(limit / floating_points.PERIOD)):
        now = tick * floating_points.PERIOD
        if coming is not None and now >= coming.task.time - 1e-9:
            course, coming = coming, None
        if coming is None:
            begun = clock.perf_counter()
            coming = watch(course, now, *world.known(), (), rule)
            if coming is not None:
                flown.planned(coming, clock.perf_counter() - begun)
        world.step(course.plan.trajectories.at(now))
        positions = world.truth()[0]
        look(flown, draw, positions)
        there = np.max(np.linalg.norm(positions - draw.goals, axis=1)) < ARRIVED
        within_since = min(within_since, now) if there else math.inf
        if now - within_since >= STAYED:
            flown.arrived = within_since
            break
    return flown


def look(flown, draw, positions):
    """Note the distances of one moment."""
    flown.separation = min(flown.separation, slots.least_spacing(positions))
    for zone in draw.zones:
        flown.clearance = min(flown.clearance, float(np.min(zone.distance(positions[:, :2]))))
    flown.beyond = max(flown.beyond, float(np.max(np.abs(positions[:, :2]) - HALF)))
