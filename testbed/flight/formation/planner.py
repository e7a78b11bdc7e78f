"""Trajectories for all vehicles at once: a sequence of quadratic programs for each of a few durations and sides.

Found together if that can be; else one vehicle after the other, later ones keeping out of the way of earlier ones; else
everyone brakes and stays. The plan says which.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import IntEnum
from itertools import product
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.inspection import Findings, given_at_ends, inspect
from testbed.flight.formation.program import Ends, build, directions, free
from testbed.flight.formation.separation import Side, planes_about
from testbed.flight.formation.solver import solve
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Followed, Trajectories, from_control_points, resting
from testbed.flight.formation.zones import covering

Array = NDArray[np.float64]

INTERVAL: Final = 2.5
"""About how long an interval of constant acceleration is, s."""
FEWEST: Final = 12
MOST: Final = 32
"""Fewest and most intervals of a plan."""
STRETCHES: Final = (1.12, 1.35, 1.7, 2.2)
"""Durations tried, over the least that the longest way takes alone."""
SIDES: Final = 5
"""Patterns of passing sides tried for each duration."""
ITERATIONS: Final = 10
"""Programs solved for one duration and one pattern at most."""
PROGRAMS: Final = 120
"""Programs solved for all vehicles together at most."""
PATIENCE: Final = 4
"""Programs after which a cost that falls no more, of a plan that overlaps still, ends the attempt."""
WORTH: Final = 0.03
"""Share of the cost that another program must gain to be tried."""


class Outcome(IntEnum):
    """How a plan was found."""

    TOGETHER = 0
    """For all vehicles at once."""
    IN_TURN = 1
    """For one vehicle after the other."""
    STAY = 2
    """None was found: everyone brakes and stays."""


@dataclass(frozen=True)
class Plan:
    """Trajectories, how they were found, what was found along them, and how many programs that took.

    tight: a distance is less than planned somewhere, though not less than required, as it is at one of the ends.
    """

    trajectories: Trajectories
    outcome: Outcome
    tight: bool
    findings: Findings
    cost: float
    programs: int


@dataclass(frozen=True)
class Found:
    """Result of one attempt; programs: solved for it; contradiction: no path obeys the limits in that time, on any side."""

    trajectories: Trajectories | None
    findings: Findings | None
    cost: float
    programs: int
    tight: bool = False
    contradiction: bool = False


def plan(task: Task) -> Plan:
    """The first of TOGETHER, IN_TURN and STAY that can be; only of STAY the findings may be worse than required."""
    programs = 0
    for outcome, attempt in ((Outcome.TOGETHER, together), (Outcome.IN_TURN, in_turn)):
        found = attempt(task)
        programs += found.programs
        if found.trajectories is not None and found.findings is not None:
            return Plan(found.trajectories, outcome, found.tight, found.findings, found.cost, programs)
    braking = stay(task)
    return Plan(braking, Outcome.STAY, False, inspect(task, braking), math.inf, programs)


def together(task: Task) -> Found:
    """The first duration and sides that give a plan with all margins; else, of one duration, the widest tight plan."""
    programs, widest = 0, None
    for duration in durations(task):
        for side in range(SIDES):
            found = refine(task, duration, side)
            programs += found.programs
            if found.contradiction or programs >= PROGRAMS:
                break
            if found.trajectories is None or found.findings is None:
                continue
            if not found.tight:
                return replace(found, programs=programs)
            if wider(found.findings, widest.findings if widest else None):
                widest = found
        if widest is not None:
            return replace(widest, programs=programs)
    return Found(None, None, math.inf, programs)


def in_turn(task: Task) -> Found:
    """One vehicle after the other, the farthest first, then the nearest first, within the longest of the durations."""
    duration = list(durations(task))[-1]
    way = np.linalg.norm(task.arrival(duration)[0] - task.positions, axis=1)
    programs = 0
    for order in (np.argsort(-way, kind="stable"), np.argsort(way, kind="stable")):
        singles: dict[int, Trajectories] = {}
        for vehicle in order:
            earlier = tuple(Followed(one, 0) for one in singles.values())
            alone = replace(part(task, [int(vehicle)]), others=(*task.others, *earlier), duration=duration)
            found = together(alone)
            programs += found.programs
            if found.trajectories is None:
                break
            singles[int(vehicle)] = found.trajectories
        if len(singles) == task.count:
            merged = joined([singles[vehicle] for vehicle in range(task.count)])
            findings = inspect(task, merged)
            kept = [accepted(task, findings, Given.of(task, duration), tight) for tight in (False, True)]
            if any(kept):
                return Found(merged, findings, math.nan, programs, not kept[0])
    return Found(None, None, math.inf, programs)


def stay(task: Task) -> Trajectories:
    """Everyone brakes at a constant rate, all stopping together, and stays there."""
    start, velocity = task.departure()
    speeds = np.linalg.norm(velocity, axis=1)
    duration = max(max(v / one.acceleration for v, one in zip(speeds, task.limits, strict=True)), 1.0)
    times = task.time + duration / FEWEST * np.arange(FEWEST + 1)
    t = (times - task.time)[None, :, None]
    positions = start[:, None] + velocity[:, None] * (t - 0.5 * t * t / duration)
    velocities = velocity[:, None] * (1.0 - t / duration)
    braking = np.repeat((-velocity / duration)[:, None], FEWEST, axis=1)
    return Trajectories(times, positions, velocities, braking, tuple(resting(end) for end in positions[:, -1]))


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


@dataclass(frozen=True)
class Given:
    """What the task alone decides: findings at both ends, and along the brake of everyone from the start."""

    ends: Findings
    brake: Findings

    @classmethod
    def of(cls, task: Task, duration: float) -> Self:
        """Of a task that takes `duration` s."""
        return cls(given_at_ends(task, duration), inspect(task, stay(task)))


def accepted(task: Task, findings: Findings, given: Given, tight: bool = False) -> bool:
    """Whether what is planned is kept, or what is given at the ends; if `tight`, what is required, where they ask it.

    A plan is tight only where one of the ends or a brake from the start is: to get out of there may take getting closer
    first.
    """
    keeping, ends, brake = task.keeping, given.ends, given.brake
    separation = min(keeping.planned, ends.least())
    clearance = min(keeping.clearance, ends.to_zones)
    beyond = max(0.0, ends.beyond_area)
    if tight and min(separation, brake.least()) < keeping.planned:
        separation = min(keeping.required, separation)
    if tight and min(clearance, brake.to_zones) < keeping.clearance:
        clearance = min(keeping.body, clearance)
    if tight and max(beyond, brake.beyond_area) > 0.0:
        beyond += 0.5 * keeping.margin
    return findings.keeps(separation, clearance, beyond)


def durations(task: Task) -> Iterator[float]:
    """What to try, s: the given one, or the least stretched by more and more."""
    if task.duration is not None:
        yield task.duration
        return
    for stretch in STRETCHES:
        yield max(stretch * least_duration(task), task.least)


def least_duration(task: Task) -> float:
    """What the longest straight way takes, rest to rest at the limits, and to stop before and start after, s.

    The goals move meanwhile: found by repetition.
    """
    share = covering(directions(len(task.axes)))
    duration = INTERVAL
    for _ in range(3):
        (_, before), (end, after) = task.departure(), task.arrival(duration)
        way = np.linalg.norm(end - task.positions, axis=1)
        change = np.linalg.norm(before, axis=1) + np.linalg.norm(after, axis=1)
        for length, extra, one in zip(way, change, task.limits, strict=True):
            v, a = share * one.speed, share * one.acceleration
            move = length / v + v / a if length > v * v / a else 2.0 * math.sqrt(length / a)
            duration = max(duration, move + extra / a)
    return duration


def straight(ends: Ends) -> Array:
    """Control points (V, N, n) of straight ways, slow at both ends."""
    u = (np.arange(ends.intervals) + 0.5) / ends.intervals
    way = (u * u * (3.0 - 2.0 * u))[None, :, None]
    points = ends.start[:, None] + (ends.end - ends.start)[:, None] * way
    points[:, 0], points[:, -1] = ends.first, ends.last
    return np.asarray(points)


def trajectories_of(task: Task, ends: Ends, points: Array) -> Trajectories:
    """Trajectories in three dimensions with control points (V, N, n)."""
    times = task.time + ends.interval * np.arange(ends.intervals + 1)
    full = np.repeat(task.positions[:, None], ends.intervals, axis=1)
    full[:, :, list(task.axes)] = points
    return from_control_points(times, full, task.departure(), task.arrival(ends.duration), task.goals)


def part(task: Task, vehicles: list[int]) -> Task:
    """The task of some of the vehicles; the rest is not there."""
    goals, limits = (tuple(every[v] for v in vehicles) for every in (task.goals, task.limits))
    return replace(
        task, positions=task.positions[vehicles], velocities=task.velocities[vehicles], goals=goals, limits=limits
    )  # type: ignore[arg-type]


def joined(singles: list[Trajectories]) -> Trajectories:
    """Trajectories of single vehicles, with the same knots, as one."""
    stacked = (np.concatenate([getattr(one, what) for one in singles]) for what in ("positions", "velocities"))
    accelerations = np.concatenate([one.accelerations for one in singles])
    return Trajectories(singles[0].times, *stacked, accelerations, tuple(one.goals[0] for one in singles))
