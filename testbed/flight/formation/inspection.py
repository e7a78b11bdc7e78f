"""The last word on a plan: distances along the continuous trajectories, wherever the planes were."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Trajectories

Array = NDArray[np.float64]

STEP: Final = 0.1
"""Time between samples, s: at a relative speed v a distance d may be less by (v·STEP)²/(8·d) in between; 0.04 mm at
0.12 m/s and 0.5 m."""
SLIGHT: Final = 1e-4
"""What rounding and sampling may take from a distance, m."""


@dataclass(frozen=True)
class Findings:
    """Least distances along a plan, m: between two vehicles, from a vehicle to another body, to a zone.

    beyond_area: by how much the area is overstepped at most, m; limits_kept: whether the limits of acceleration and
    speed are kept at every knot.
    """

    separation: float
    to_others: float
    to_zones: float
    beyond_area: float
    limits_kept: bool

    def least(self) -> float:
        """Least distance to a vehicle or another body, m."""
        return min(self.separation, self.to_others)

    def keeps(self, separation: float, clearance: float, beyond: float) -> bool:
        """Whether distances are at least so large, and the area is overstepped by no more than `beyond` m."""
        apart = self.least() >= separation - SLIGHT
        return (
            apart and self.to_zones >= clearance - SLIGHT and self.beyond_area <= beyond + SLIGHT and self.limits_kept
        )


def inspect(task: Task, trajectories: Trajectories) -> Findings:
    """Sample the trajectories from the first knot to the last."""
    times, positions = trajectories.sampled(STEP)
    return _measure(task, times, positions, limits_kept(task, trajectories))


def inspect_moment(task: Task, time: float, positions: Array) -> Findings:
    """What is found at one time, s, with the vehicles at `positions` (V, 3)."""
    return _measure(task, np.array([time]), positions[:, None], True)


def _measure(task: Task, times: Array, positions: Array, within_limits: bool) -> Findings:
    """Distances at `times` (S,) s, of `positions` (V, S, 3) m."""
    axes = list(task.axes)
    paths = positions[:, :, axes]
    one, other = np.triu_indices(task.count, 1)
    separation = float(np.min(np.linalg.norm(paths[one] - paths[other], axis=2), initial=math.inf))
    to_others = math.inf
    for body in task.others:
        away = paths - body.at(times)[0][None][:, :, axes]
        to_others = min(to_others, float(np.min(np.linalg.norm(away, axis=2))))
    flat = paths.reshape(-1, len(axes))
    to_zones = min((float(np.min(zone.distance(flat))) for zone in task.zones), default=math.inf)
    return Findings(separation, to_others, to_zones, float(np.max(task.area.excess(flat))), within_limits)


def limits_kept(task: Task, trajectories: Trajectories) -> bool:
    """Whether accelerations, and speeds at inner knots, are within a vehicle's limits or its speed at the start."""
    acceleration = np.linalg.norm(trajectories.accelerations, axis=2).max(axis=1)
    speed = np.linalg.norm(trajectories.velocities[:, 1:-1], axis=2).max(axis=1, initial=0.0)
    begun = np.linalg.norm(trajectories.velocities[:, 0], axis=1)
    slack = 1.0 + 1e-4
    return all(
        a <= slack * one.acceleration and v <= slack * max(one.speed, v0)
        for a, v, v0, one in zip(acceleration, speed, begun, task.limits, strict=True)
    )
