"""The ways that a plan's formations take if all goes well, by the same planner that plans them in flight."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.flight.formation import Frame, Slot, Task, Turn, plan
from testbed.flight.formation.given import FormationTask
from testbed.flight.formation.trajectories import Motion
from testbed.plan.configuration import Configuration
from testbed.plan.formation_slots import elapsed
from testbed.plan.formation_way import Sampled, Way
from testbed.plan.formations import formation_task
from testbed.plan.leg import Leg
from testbed.plan.maneuvers import FormationStep
from testbed.plan.poses import PlannedPose, RunPoses
from testbed.plan.schema import Run

Array = NDArray[np.float64]
Legs = dict[str, list[Leg]]

STEP: Final = 0.1
"""Time step at which ways are noted, s."""
IN_PLACE: Final = 5e-3
"""As near to its place, m, and to its motion, m/s, a vehicle needs no plan."""


@dataclass(frozen=True)
class _Change:
    """Vehicles that begin a step of one formation together: `members` with the index of the step in their lists."""

    task: FormationTask
    begin: float
    end: float
    members: Mapping[str, int]


def plan_formations(configuration: Configuration, run: Run, poses: RunPoses, legs: Legs) -> None:
    """Give each leg of a formation its way, in the order of time, a leader's formation after all others."""
    for change in sorted(_changes(configuration, run, poses, legs), key=lambda one: (one.begin, one.task.leader or "")):
        others = {name: _seen(poses, legs, name, change) for name in legs if name not in change.members}
        goals = _goals(run, poses, legs, change)
        for name, way in _ways(change, legs, goals, others).items():
            index = change.members[name]
            legs[name][index] = replace(legs[name][index], way=way)


def _changes(configuration: Configuration, run: Run, poses: RunPoses, legs: Legs) -> list[_Change]:
    found: dict[tuple[str, float], dict[str, int]] = {}
    for name, each in legs.items():
        for index, leg in enumerate(each):
            if isinstance(leg.step, FormationStep) and leg.step.formation in poses.places and np.isfinite(leg.begin):
                found.setdefault((leg.step.formation, leg.begin), {})[name] = index
    tasks = {name: formation_task(configuration, run, poses, name) for name, _ in found}
    return [
        _Change(tasks[name], begin, max(legs[one][index].end for one, index in members.items()), members)
        for (name, begin), members in found.items()
        if _has_thrust(tasks[name])
    ]


def _has_thrust(task: FormationTask) -> bool:
    """Whether there is a plan at all; `testbed check` says who has none."""
    return task.turn_acceleration > 0.0 and all(one.acceleration > 0.0 for one in task.limits.values())


def _goals(run: Run, poses: RunPoses, legs: Legs, change: _Change) -> dict[str, tuple[Motion, Slot]]:
    """For each member its place in motion, and the slot that its attitude goes to."""
    task, times = change.task, _times(change)
    if task.frame is not None:
        begun = {name: change.begin - elapsed(run, task.name, index) for name, index in change.members.items()}
        slots = {name: task.places[name].slot(replace(task.frame, time=time)) for name, time in begun.items()}
        return {name: (slot, slot) for name, slot in slots.items()}
    assert task.leader is not None
    led = [_pose(poses, legs, task.leader, float(time)) for time in times]
    centre, turned = np.array([one.position for one in led]), Rotation.from_quat([one.orientation for one in led])
    last = Frame(led[-1].position, led[-1].orientation)
    return {
        name: (
            Sampled.through(times, centre + turned.apply(np.array(task.places[name].position))),
            task.places[name].slot(last),
        )
        for name in change.members
    }


def _ways(
    change: _Change, legs: Legs, goals: Mapping[str, tuple[Motion, Slot]], others: Mapping[str, Motion]
) -> dict[str, Way]:
    """Plan for all members together; those who are in their places already stay there if all are."""
    names, task = list(change.members), change.task
    begun = [_begun(legs[name], change.members[name]) for name in names]
    motions = tuple(goals[name][0] for name in names)
    moment = np.array([change.begin])
    away = [
        max(float(np.max(np.abs(now - wanted[0]))) for now, wanted in zip(one, motion.at(moment)[:2], strict=True))
        for one, motion in zip(begun, motions, strict=True)
    ]
    arrives, outcome, times = change.begin, None, _times(change)
    if max(away) > IN_PLACE:
        found = plan(
            Task(
                change.begin, np.array([one[0] for one in begun]), np.array([one[1] for one in begun]), motions,
                tuple(task.limits[name] for name in names), task.keeping, task.area, task.zones,
                tuple(others.values()), task.axes,
            )
        )  # fmt: skip
        arrives, outcome = found.trajectories.end, found.outcome
        flown = [Sampled.following(found.trajectories, k, times) for k in range(len(names))]
    else:
        flown = [Sampled(times, *motion.at(times)) for motion in motions]
    ways = {}
    for name, motion in zip(names, flown, strict=True):
        (place, slot), attitude = goals[name], legs[name][change.members[name]].before.orientation
        takes = arrives - change.begin
        turn = Turn(slot, attitude, (0.0, 0.0, 0.0), change.begin, takes)
        if outcome is not None or task.leader is None:
            takes = max(takes, task.time_to_turn(turn.angle))
        lasts = max(takes, STEP) if task.leader is None else change.end - change.begin  # who is led turns as it does
        ways[name] = Way(motion, place, replace(turn, duration=lasts), change.begin + takes, outcome)
    return ways


def _begun(legs: Sequence[Leg], index: int) -> tuple[Array, Array]:
    """Position m and velocity m/s with which a vehicle begins a leg; from a formation it brings that of its place."""
    before = legs[index - 1] if index else None
    velocity = np.zeros(3)
    if before is not None and before.way is not None and before.end == legs[index].begin:
        velocity = before.way.motion.velocities[-1]
    return np.array(legs[index].before.position), velocity


def _seen(poses: RunPoses, legs: Legs, name: str, change: _Change) -> Motion:
    """The way of another vehicle while a change lasts, as far as it is planned."""
    times = _times(change)
    return Sampled.through(times, np.array([_position(poses, legs, name, float(time)) for time in times]))


def _times(change: _Change) -> Array:
    lasts = change.end - change.begin
    return change.begin + np.linspace(0.0, lasts, max(3, 1 + round(lasts / STEP)))


def _pose(poses: RunPoses, legs: Legs, name: str, time: float) -> PlannedPose:
    """Where a vehicle is at a time, s."""
    leg = _leg(legs[name], time)
    return poses.start[name] if leg is None else PlannedPose(leg.position(time), leg.orientation(time))


def _position(poses: RunPoses, legs: Legs, name: str, time: float) -> tuple[float, float, float]:
    leg = _leg(legs[name], time)
    return poses.start[name].position if leg is None else leg.position(time)


def _leg(legs: Sequence[Leg], time: float) -> Leg | None:
    """The maneuver flown at a time, s; as Timeline.leg."""
    return next((leg for leg in legs if time < leg.end), legs[-1] if legs else None)
