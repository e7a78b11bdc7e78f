"""Who lags goes on beside the others, who keep their ways: less is disturbed than by a new plan for all."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import MAX_KNOTS
from testbed.flight.formation.attempt import Given, accepted
from testbed.flight.formation.inspection import inspect
from testbed.flight.formation.planner import Outcome, Plan, made, part, together
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Followed, Trajectories

NEAR: Final = 1e-6
"""Knots nearer to each other than this are one, s."""


def beside(task: Task, present: Trajectories, lags: NDArray[np.bool_]) -> Plan | None:
    """A plan in which those that do not lag, (V,), keep their present trajectories.

    None where that is not possible with all margins, where a goal moves, and where everyone lags, or nobody.
    """
    behind, ahead = np.flatnonzero(lags).tolist(), np.flatnonzero(~lags).tolist()
    if not behind or not ahead or task.in_vain or np.any(task.arrival(present.end - task.time)[1]):
        return None
    others = (*task.others, *(Followed(present, vehicle) for vehicle in ahead))
    found = together(replace(part(task, behind), others=others))
    if found.trajectories is None or found.tight:
        return None
    merged = merge(task, present, found.trajectories, behind)
    findings = inspect(task, merged)
    kept = accepted(task, findings, Given.of(task, merged.end - task.time))
    if not kept or len(merged.times) > MAX_KNOTS:
        return None
    return made(task, Outcome.TOGETHER, merged, findings, found.cost, found.programs)


def merge(task: Task, present: Trajectories, new: Trajectories, behind: list[int]) -> Trajectories:
    """Trajectories from `task.time` on that are `new` for the vehicles `behind`, `present` for the others.

    With the knots of both, between which accelerations hold in both.
    """
    times = np.unique(np.concatenate([[task.time], present.times[present.times > task.time], new.times]))
    times = times[np.append(True, np.diff(times) > NEAR)]
    states = present.during(times)
    for state, changed in zip(states, new.during(times), strict=True):
        state[behind] = changed
    positions, velocities, accelerations = states
    return Trajectories(times, positions, velocities, accelerations[:, :-1], task.goals)
