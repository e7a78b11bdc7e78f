"""Trajectories for all vehicles at once: a sequence of quadratic programs for each of a few durations and sides.

Found together if that can be; else one vehicle after the other, later ones keeping out of the way of earlier ones; else
everyone brakes and stays. The plan says which.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.attempt import INTERVAL, Found, Given, accepted, refine, stay, wider
from testbed.flight.formation.inspection import Findings, inspect
from testbed.flight.formation.program import directions
from testbed.flight.formation.separation import Side
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Followed, Trajectories
from testbed.flight.formation.zones import covering

Array = NDArray[np.float64]

STRETCHES: Final = (1.12, 1.35, 1.7, 2.2)
"""Durations tried, over the least that the longest way takes alone."""
SIDES: Final = 5
"""Patterns of passing sides tried for each duration."""
NARROWER: Final = (0.5, 0.0)
"""Shares of the room beside an edge that are tried where there is no way with all of it."""
LONGER: Final = 2
STAGGERED: Final = 20
"""What was planned in vain is tried with so many staggered ways in one of so many longer durations."""
PROGRAMS: Final = 80
"""Programs solved for all vehicles together, after which no further attempt is made."""


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

    tight: a margin is not kept everywhere, because it is not at one of the ends or would not be if everyone braked at
    once. Yet what is required is, unless it is not at the start or would not be on such a brake: `findings` tell.
    """

    trajectories: Trajectories
    outcome: Outcome
    tight: bool
    findings: Findings
    cost: float
    programs: int


def plan(task: Task) -> Plan:
    """The first of TOGETHER, IN_TURN and STAY that can be; only of STAY the findings may be worse than required."""
    programs = 0
    for outcome, attempt in ((Outcome.TOGETHER, together), (Outcome.IN_TURN, in_turn)):
        found = attempt(task)
        programs += found.programs
        if found.trajectories is not None and found.findings is not None:
            return made(task, outcome, found.trajectories, found.findings, found.cost, programs)
    staying = stay(task)
    return made(task, Outcome.STAY, staying, inspect(task, staying), math.inf, programs)


def made(
    task: Task, outcome: Outcome, trajectories: Trajectories, findings: Findings, cost: float, programs: int
) -> Plan:
    """A plan with what is found along it."""
    tight = not findings.keeps(task.keeping.planned, task.keeping.clearance, 0.0)
    return Plan(trajectories, outcome, tight, findings, cost, programs)


def together(task: Task) -> Found:
    """The first duration and sides that give a plan with all margins; else the widest tight plan.

    Where a margin is lost anyway, one of the shortest duration that has any. Where a way off the edge of the area has
    none with all margins, it is looked for nearer to the edge, in the end up to it. What was planned in vain before is
    then tried with ways that are staggered, other ones each time, in one of the longer durations by turns.
    """
    found, edge = search(task, durations(task), SIDES), task.keeping.edge
    for share in NARROWER if edge > 0.0 else ():
        if found.trajectories is not None and not found.tight:
            break
        task = replace(task, keeping=replace(task.keeping, edge=share * edge))
        more = search(task, durations(task), SIDES)
        better = more.findings is not None and (not more.tight or wider(more.findings, found.findings))
        found = replace(more if better else found, programs=found.programs + more.programs)
    if found.trajectories is not None or task.in_vain == 0:
        return found
    longer = list(durations(task))[-LONGER:]
    duration = longer[(task.in_vain - 1) % len(longer)]
    more = search(task, [duration], STAGGERED, np.random.default_rng(task.in_vain))
    return replace(more, programs=found.programs + more.programs)


def search(task: Task, durations: Iterable[float], sides: int, generator: np.random.Generator | None = None) -> Found:
    """As `together`, with so many sides for each of the durations; with a generator from staggered ways, as NEARER."""
    programs, widest = 0, None
    for duration in durations:
        given = Given.of(task, duration)
        for side in range(sides):
            found = refine(task, duration, Side.NEARER if generator else side, given, generator)
            programs += found.programs
            if found.contradiction or programs >= PROGRAMS:
                break
            if found.trajectories is None or found.findings is None:
                continue
            if not found.tight:
                return replace(found, programs=programs)
            if wider(found.findings, widest.findings if widest else None):
                widest = found
        if widest is not None and given.tight(task):
            break
    return replace(widest or Found(None, None, math.inf, 0), programs=programs)


def in_turn(task: Task) -> Found:
    """One vehicle after the other, the farthest first, then the nearest first, within the longest of the durations."""
    duration = list(durations(task))[-1]
    way = np.linalg.norm(task.arrival(duration)[0] - task.positions, axis=1)
    programs, task = 0, replace(task, in_vain=0)
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
            given = Given.of(task, duration)
            kept = [accepted(task, findings, given, tight) for tight in (False, True)]
            if any(kept):
                return Found(merged, findings, math.nan, programs, not kept[0])
    return Found(None, None, math.inf, programs)


def durations(task: Task) -> Iterator[float]:
    """What to try, s: the given one, or the least stretched by more and more."""
    if task.duration is not None:
        yield task.duration
        return
    for stretch in STRETCHES:
        yield max(stretch * least_duration(task), task.least)


def least_duration(task: Task) -> float:
    """What the slowest vehicle takes alone, s: along its straight way to stop at the goal, or to stop its drift across.

    The goals move meanwhile: found by repetition; a goal's own speed at the end takes its share of time, too.
    """
    share = covering(directions(len(task.axes)))
    duration = INTERVAL
    for _ in range(3):
        (start, before), (end, after) = task.departure(), task.arrival(duration)
        for way, velocity, last, one in zip(end - start, before, after, task.limits, strict=True):
            length, v, a = float(np.linalg.norm(way)), share * one.speed, share * one.acceleration
            forward = float(velocity @ way) / length if length > 0.0 else 0.0
            across = math.sqrt(max(float(velocity @ velocity) - forward**2, 0.0))
            alone = max(stop_at(length, forward, v, a), (1.0 + math.sqrt(2.0)) * across / a)
            duration = max(duration, alone + float(np.linalg.norm(last)) / a)
    return duration


def stop_at(length: float, speed: float, limit: float, acceleration: float) -> float:
    """Least time s to stop `length` m ahead from `speed` m/s, by bang-coast-bang (Bryson and Ho, 1975)."""
    stopping = 0.5 * speed**2 / acceleration
    if speed < 0.0 or stopping > length:  # stop first, then come back
        return abs(speed) / acceleration + stop_at(
            abs(length - math.copysign(stopping, speed)), 0.0, limit, acceleration
        )
    peak = min(math.sqrt(acceleration * length + 0.5 * speed**2), max(limit, speed))
    coasted = length - stopping_way(peak, speed, acceleration)
    return (2.0 * peak - speed) / acceleration + max(coasted, 0.0) / max(peak, 1e-9)


def stopping_way(peak: float, speed: float, acceleration: float) -> float:
    """Way from `speed` up to `peak` m/s and down to rest, m."""
    return (peak**2 - 0.5 * speed**2) / acceleration


def part(task: Task, vehicles: list[int]) -> Task:
    """The task of some of the vehicles; the rest is not there."""
    return replace(
        task,
        positions=task.positions[vehicles],
        velocities=task.velocities[vehicles],
        goals=tuple(task.goals[v] for v in vehicles),
        limits=tuple(task.limits[v] for v in vehicles),
    )


def joined(singles: list[Trajectories]) -> Trajectories:
    """Trajectories of single vehicles, with the same knots, as one."""
    positions, velocities, accelerations = (
        np.concatenate([getattr(one, what) for one in singles]) for what in ("positions", "velocities", "accelerations")
    )
    return Trajectories(singles[0].times, positions, velocities, accelerations, tuple(one.goals[0] for one in singles))
