"""One attempt at a plan: quadratic programs in sequence, for a given duration, from straight ways on."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.inspection import Findings, given_at_ends, inspect
from testbed.flight.formation.program import Ends, build, free
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
    """What the task alone decides: findings at both ends, and along the brake of everyone from the start."""

    ends: Findings
    brake: Findings

    @classmethod
    def of(cls, task: Task, duration: float) -> Self:
        """Of a task that takes `duration` s."""
        return cls(given_at_ends(task, duration), inspect(task, stay(task)))


def refine(task: Task, duration: float, side: int) -> Found:
    """A sequence of programs from straight ways on, passing on `side`, until it gains no more or does not get there."""
    intervals = int(np.clip(math.ceil(duration / INTERVAL), FEWEST, MOST))
    ends = Ends.of(task, duration, intervals)
    inner, _ = free(task.count, intervals, len(task.axes))
    points, last = straight(ends), math.inf
    best, given = Found(None, None, math.inf, 0, tight=True), Given.of(task, duration)
    for iteration in range(1, ITERATIONS + 1):
        planes = planes_about(task, ends, points, side if iteration == 1 else Side.NEARER)
        solution = solve(build(task, ends, planes))
        if solution is None:
            best = replace(best, contradiction=iteration == 1)
            break
        points = points.copy()
        points.ravel()[inner] = solution[0][: len(inner)]
        cost = solution[1]
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
    """Whether what is planned is kept, or what is given at the ends; if `tight`, what is required, where they ask it.

    A plan is tight only where one of the ends or a brake from the start is: to get out of there may take getting closer
    first. Where braking would be worse than what is required, it is the least that is asked.
    """
    keeping, ends, brake = task.keeping, given.ends, given.brake
    separation = min(keeping.planned, ends.least())
    clearance = min(keeping.clearance, ends.to_zones)
    beyond = max(0.0, ends.beyond_area)
    if tight and min(separation, brake.least()) < keeping.planned:
        separation = min(keeping.required, separation, brake.least())
    if tight and min(clearance, brake.to_zones) < keeping.clearance:
        clearance = min(keeping.body, clearance, brake.to_zones)
    if tight and max(beyond, brake.beyond_area) > 0.0:
        beyond = max(beyond, brake.beyond_area) + 0.5 * keeping.margin
    return findings.keeps(separation, clearance, beyond)


def stay(task: Task) -> Trajectories:
    """Everyone brakes at a constant rate, all stopping together, and stays there."""
    start, velocity = task.departure()
    speeds = np.linalg.norm(velocity, axis=1)
    duration = max(1.0, *(v / one.acceleration for v, one in zip(speeds, task.limits, strict=True)))
    times = task.time + duration / FEWEST * np.arange(FEWEST + 1)
    t = (times - task.time)[None, :, None]
    positions = start[:, None] + velocity[:, None] * (t - 0.5 * t * t / duration)
    velocities = velocity[:, None] * (1.0 - t / duration)
    braking = np.repeat((-velocity / duration)[:, None], FEWEST, axis=1)
    return Trajectories(times, positions, velocities, braking, tuple(resting(end) for end in positions[:, -1]))


def straight(ends: Ends) -> Array:
    """Control points (V, N, n) of straight ways, slow at both ends."""
    u = (np.arange(ends.intervals) + 0.5) / ends.intervals
    way = (u * u * (3.0 - 2.0 * u))[None, :, None]
    points = ends.start[:, None] + (ends.end - ends.start)[:, None] * way
    points[:, 0], points[:, -1] = ends.first, ends.last
    return np.asarray(points)


def trajectories_of(task: Task, ends: Ends, points: Array) -> Trajectories:
    """Trajectories in three dimensions with control points (V, N, n)."""
    times: Array = np.asarray(task.time + ends.interval * np.arange(ends.intervals + 1))
    full: Array = np.repeat(task.positions[:, None], ends.intervals, axis=1)
    full[:, :, list(task.axes)] = points
    return from_control_points(times, full, task.departure(), task.arrival(ends.duration), task.goals)
