"""A reconfiguration under way: whether everyone is where the plan has them, and a new plan when someone is not."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.beside import beside
from testbed.flight.formation.planner import Outcome, Plan, plan
from testbed.flight.formation.task import Limits, Task
from testbed.flight.formation.trajectories import Motion

Array = NDArray[np.float64]


LOOK: Final = 0.5
"""Time between moments at which it is looked who comes in the way, s."""


@dataclass(frozen=True)
class Replanning:
    """When a plan is made anew, and how.

    deviation: distance from the trajectory at which a vehicle lags, m, now or as it would be `ahead` s later at the
    present speeds; pause: shortest time between plans, s; lead: from the decision to the new plan's start, s; weaker:
    what a vehicle that lags is planned with of the acceleration before, and least: of the first.
    """

    deviation: float = 0.03
    ahead: float = 2.0
    pause: float = 3.0
    lead: float = 0.5
    weaker: float = 0.7
    least: float = 0.35


@dataclass(frozen=True)
class Course:
    """The task as it was last planned, its plan, and the limits that the vehicles began with."""

    task: Task
    plan: Plan
    limits: tuple[Limits, ...]


def begin(task: Task) -> Course:
    """Plan a task."""
    return Course(task, plan(task), task.limits)


def deviations(course: Course, time: float, positions: Array, velocities: Array, ahead: float) -> Array:
    """Distance m of each vehicle from its trajectory along the free axes, (V,): the larger of now and `ahead` s later.

    Vehicles at `positions` m with `velocities` m/s, (V, 3) each, at `time` s; what lies ahead is what the present
    speeds make of it.
    """
    place, speed, _ = course.plan.trajectories.at(time)
    axes = list(course.task.axes)
    now = (positions - place)[:, axes]
    later = now + ahead * (velocities - speed)[:, axes]
    return np.sqrt(np.maximum(np.sum(now**2, axis=1), np.sum(later**2, axis=1)))


def in_the_way(course: Course, time: float, others: tuple[Motion, ...]) -> bool:
    """Whether a body that is not planned for, as it is known to move, will be nearer to someone than is required."""
    if not others:
        return False
    trajectories, axes = course.plan.trajectories, list(course.task.axes)
    times = np.arange(time, max(trajectories.end, time) + LOOK, LOOK)
    ways = trajectories.during(times)[0][:, :, axes]
    required = course.task.keeping.required
    return any(np.min(np.linalg.norm(ways - body.at(times)[0][:, axes], axis=2)) < required for body in others)


def watch(
    course: Course, time: float, positions: Array, velocities: Array, others: tuple[Motion, ...], rule: Replanning
) -> Course | None:
    """A course with a new plan that begins `rule.lead` s after `time`; None while the present one serves.

    `positions` and `velocities` (V, 3) as they are known at `time`, m and m/s; `others` as they are known to move. A
    new plan is made where someone lags, where others have come in the way, or where the present plan is to stay for
    want of another. Who lags begins it where it will be, with less acceleration from now on; the rest where their
    trajectories have them, so that these go on smoothly, and on the same trajectories where who lags finds a way
    beside them.
    """
    if time - course.task.time < rule.pause:
        return None
    lags = deviations(course, time, positions, velocities, rule.ahead) > rule.deviation
    serves = not lags.any() and course.plan.outcome != Outcome.STAY
    if serves and not in_the_way(course, time, others):
        return None
    start = time + rule.lead
    expected = course.plan.trajectories.at(start)
    late = lags[:, None]
    limits = tuple(
        weakened(one, first, rule) if lag else one
        for one, first, lag in zip(course.task.limits, course.limits, lags, strict=True)
    )
    task = replace(
        course.task, time=start, limits=limits, others=others,
        positions=np.where(late, positions + rule.lead * velocities, expected[0]),
        velocities=np.where(late, velocities, expected[1]),
        in_vain=course.task.in_vain + 1 if course.plan.outcome == Outcome.STAY else 0,
    )  # fmt: skip
    kept = beside(task, course.plan.trajectories, lags) if course.plan.outcome != Outcome.STAY else None
    return Course(task, kept or plan(task), course.limits)


def redirect(course: Course, time: float, goals: tuple[Motion, ...], rule: Replanning) -> Course | None:
    """A course to other `goals`, or to the same where their frame now moves otherwise; None while they hardly differ.

    It begins `rule.lead` s after `time` from where the trajectories have everyone. Goals hardly differ where, then or
    at the end of the plan, whichever is later, all are within `rule.deviation` of the present ones.
    """
    if time - course.task.time < rule.pause:
        return None
    start = time + rule.lead
    met = np.array([max(start, course.plan.trajectories.end)])
    axes = list(course.task.axes)
    moved = [
        float(np.linalg.norm((new.at(met)[0] - old.at(met)[0])[0, axes]))
        for new, old in zip(goals, course.task.goals, strict=True)
    ]
    if max(moved) <= rule.deviation:
        return None
    positions, velocities, _ = course.plan.trajectories.at(start)
    task = replace(course.task, time=start, positions=positions, velocities=velocities, goals=goals, in_vain=0)
    return Course(task, plan(task), course.limits)


def weakened(limits: Limits, first: Limits, rule: Replanning) -> Limits:
    """Limits of a vehicle that lags once more."""
    least = rule.least * first.acceleration
    return replace(limits, acceleration=max(rule.weaker * limits.acceleration, least))
