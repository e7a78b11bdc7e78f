"""One attempt at a plan: quadratic programs in sequence, for a given duration, from straight ways on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.inspection import Findings, inspect, inspect_moment
from testbed.flight.formation.program import Ends, Programs, filled
from testbed.flight.formation.separation import Side, planes_about
from testbed.flight.formation.solver import solve
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Trajectories, from_control_points, resting

Array = NDArray[np.float64]

INTERVAL: Final = 2.5
"""About how long an interval of constant acceleration is, s."""
FEWEST: Final = 12
MOST: Final = 32
"""Fewest and most intervals of a plan."""
ITERATIONS: Final = 10
"""Programs solved in one attempt at most."""
PATIENCE: Final = 4
"""Programs after which a cost that falls no more, of a plan that overlaps still, ends the attempt."""
WORTH: Final = 0.03
"""Share of the cost that another program must gain to be tried."""


@dataclass(frozen=True)
class Found:
    """Result of one attempt, if any, and how many programs were solved for it.

    tight: less is kept than planned; contradiction: no path obeys the limits in that time, on whatever side.
    """

    trajectories: Trajectories | None
    findings: Findings | None
    cost: float
    programs: int
    tight: bool = False
    contradiction: bool = False


@dataclass(frozen=True)
class Given:
    """What the task alone decides: findings at its start, at its end, and along the brake from the start."""

    start: Findings
    end: Findings
    brake: Findings

    @classmethod
    def of(cls, task: Task, duration: float) -> Self:
        """Of a task that takes `duration` s."""
        end = inspect_moment(task, task.time + duration, task.arrival(duration)[0])
        return cls(inspect_moment(task, task.time, task.positions), end, inspect(task, stay(task)))

    def tight(self, task: Task) -> bool:
        """Whether a margin is already gone, or would be if everyone braked."""
        keeping = task.keeping
        every = (self.start, self.end, self.brake)
        return not all(one.keeps(keeping.planned, keeping.clearance, 0.0) for one in every)


def refine(task: Task, duration: float, side: int, given: Given, generator: np.random.Generator | None = None) -> Found:
    """A sequence of programs from straight ways on, passing on `side`, until it gains no more or does not get there.

    With a generator from ways that are staggered.
    """
    intervals = int(np.clip(math.ceil(duration / INTERVAL), FEWEST, MOST))
    ends = Ends.of(task, duration, intervals)
    programs = Programs.of(task, ends)
    points, last = straight(ends) if generator is None else staggered(ends, generator), math.inf
    best = Found(None, None, math.inf, 0, tight=True)
    for iteration in range(1, ITERATIONS + 1):
        planes = planes_about(task, ends, points, side if iteration == 1 else Side.NEARER)
        solution = solve(programs.beyond(planes))
        if solution is None:
            best = replace(best, contradiction=iteration == 1)
            break
        points, cost = filled(points, solution[0]), solution[1]
        trajectories = trajectories_of(task, ends, points)
        findings = inspect(task, trajectories)
        if accepted(task, findings, given):
            if not best.tight and cost > (1.0 - WORTH) * best.cost:
                break
            best = Found(trajectories, findings, cost, 0)
        elif best.tight:
            if accepted(task, findings, given, tight=True) and wider(findings, best.findings):
                best = Found(trajectories, findings, cost, 0, tight=True)
            if iteration >= PATIENCE and cost > (1.0 - WORTH) * last:
                break
        last = cost
    return replace(best, programs=iteration)


def wider(findings: Findings, than: Findings | None) -> bool:
    """Whether the vehicles stay farther apart."""
    return than is None or findings.least() > than.least()


def accepted(task: Task, findings: Findings, given: Given, tight: bool = False) -> bool:
    """Whether what is planned is kept, or what is given at the start; if `tight`, what is required.

    From rest a plan is tight only where the start or the end is. From motion it may have to be: programs leave some of
    a limit that a brake uses. Where the start or braking is worse than what is required, that is the least that is
    asked.
    """
    keeping, start, end, brake = task.keeping, given.start, given.end, given.brake
    separation = min(keeping.planned, start.least())
    clearance = min(keeping.clearance, start.to_zones)
    beyond = max(0.0, start.beyond_area)
    moving = bool(np.any(task.departure()[1]))
    if tight and (moving or min(separation, end.least()) < keeping.planned):
        separation = min(keeping.required, start.least(), brake.least())
    if tight and (moving or min(clearance, end.to_zones) < keeping.clearance):
        clearance = min(keeping.body, start.to_zones, brake.to_zones)
    if tight and (moving or max(beyond, end.beyond_area) > 0.0):
        beyond = max(beyond, brake.beyond_area) + 0.5 * keeping.margin
    return findings.keeps(separation, clearance, beyond)


def stay(task: Task) -> Trajectories:
    """Everyone brakes as hard as its limit allows, to a whole number of intervals, and stays where it stops."""
    start, velocity = task.departure()
    limits = np.array([one.acceleration for one in task.limits])
    times = np.linalg.norm(velocity, axis=1) / limits
    interval = max(1.0, float(np.max(times))) / FEWEST
    length = (interval * np.maximum(np.ceil(times / interval), 1.0))[:, None, None]
    t: Array = np.asarray(interval * np.arange(FEWEST + 1.0))[None, :, None]
    slowing = np.minimum(t, length)
    velocities = velocity[:, None] * (1.0 - slowing / length)
    positions = start[:, None] + velocity[:, None] * (slowing - 0.5 * slowing**2 / length)
    goals = tuple(resting(end) for end in positions[:, -1])
    accelerations = np.diff(velocities, axis=1) / interval
    return Trajectories(task.time + t[0, :, 0], positions, velocities, accelerations, goals)


def straight(ends: Ends) -> Array:
    """Control points (V, N, n) of straight ways, slow at both ends."""
    u = (np.arange(ends.intervals) + 0.5) / ends.intervals
    way = (u * u * (3.0 - 2.0 * u))[None, :, None]
    points = ends.start[:, None] + (ends.end - ends.start)[:, None] * way
    points[:, 0], points[:, -1] = ends.first, ends.last
    return np.asarray(points)


def staggered(ends: Ends, generator: np.random.Generator) -> Array:
    """As `straight`, but each vehicle goes its way in half of the time, from some moment on in the first half."""
    points = straight(ends)
    begin = generator.uniform(0.0, 0.5, (len(points), 1, 1))
    u = np.clip(2.0 * ((np.arange(ends.intervals) + 0.5)[None, :, None] / ends.intervals - begin), 0.0, 1.0)
    ways = ends.start[:, None] + (ends.end - ends.start)[:, None] * u * u * (3.0 - 2.0 * u)
    points[:, 1:-1] = ways[:, 1:-1]
    return points


def trajectories_of(task: Task, ends: Ends, points: Array) -> Trajectories:
    """Trajectories in three dimensions with control points (V, N, n)."""
    times: Array = np.asarray(task.time + ends.interval * np.arange(ends.intervals + 1))
    full: Array = np.repeat(task.positions[:, None], ends.intervals, axis=1)
    full[:, :, list(task.axes)] = points
    return from_control_points(times, full, task.departure(), task.arrival(ends.duration), task.goals)
