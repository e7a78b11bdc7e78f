"""The poses that a plan asks for: where each run starts and where each maneuver ends."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from transforms3d.euler import euler2quat

from testbed.plan.configuration import Configuration
from testbed.plan.maneuvers import Hold, Pose, Rotate, Step, Track, TrackPoint, Translate

Position = tuple[float, float, float]
Orientation = tuple[float, float, float, float]


@dataclass(frozen=True)
class PlannedPose:
    """Position m and orientation (x, y, z, w) of base_link in the fixed frame."""

    position: Position
    orientation: Orientation


@dataclass(frozen=True)
class RunPoses:
    """Planned poses of one run by vehicle: at its start, and after each maneuver.

    A vehicle that was never given a pose is absent.
    """

    start: Mapping[str, PlannedPose]
    after: Mapping[str, Sequence[PlannedPose]]

    def goal(self, vehicle: str) -> PlannedPose:
        """Return the last pose the run asks a vehicle for."""
        return self.after[vehicle][-1] if self.after[vehicle] else self.start[vehicle]

    @property
    def goals(self) -> dict[str, PlannedPose]:
        """The last pose the run asks each vehicle for."""
        return {vehicle: self.goal(vehicle) for vehicle in self.start}


def planned_poses(configuration: Configuration) -> tuple[RunPoses, ...]:
    """Follow the plan from pose to pose, run by run, as if all of it went well."""
    now: dict[str, PlannedPose] = {}
    runs = []
    for run in configuration.plan.runs:
        given = {name: pose for name, pose in run.start.items() if name in configuration.vehicles}
        now |= {name: pose_of(pose, _height(configuration, name)) for name, pose in given.items()}
        start = {name: now[name] for name in configuration.plan.vehicles if name in now}
        after: dict[str, list[PlannedPose]] = {name: [] for name in start}
        for name in start:
            for step in run.steps(name):
                now[name] = pose_after(step, now[name], _height(configuration, name))
                after[name].append(now[name])
        runs.append(RunPoses(start, after))
    return tuple(runs)


def pose_after(step: Step, before: PlannedPose, height: float | None) -> PlannedPose:
    """Return the pose in which a maneuver ends; `height` m is what the table holds, None in the cabin."""
    if isinstance(step, Hold):
        return pose_of(step.pose, height) if step.pose is not None else before
    if isinstance(step, Translate):
        return replace(before, position=_position(step, before, height))
    if isinstance(step, Rotate):
        roll, pitch, yaw = step.attitude_deg if step.attitude_deg is not None else (0.0, 0.0, step.heading_deg or 0.0)
        return replace(before, orientation=orientation_of(roll, pitch, yaw))
    assert isinstance(step, Track)
    last = step.waypoints[-1]
    return PlannedPose(_position(last, before, height), orientation_of(0.0, 0.0, last.heading_deg))


def pose_of(pose: Pose, height: float | None) -> PlannedPose:
    """Return a pose of the plan with the height that the table holds, if any."""
    roll, pitch, yaw = pose.attitude_deg if pose.attitude_deg is not None else (0.0, 0.0, pose.heading_deg)
    return PlannedPose((pose.x, pose.y, pose.z if height is None else height), orientation_of(roll, pitch, yaw))


def orientation_of(roll_deg: float, pitch_deg: float, yaw_deg: float) -> Orientation:
    """Quaternion (x, y, z, w) of turns about the fixed x, then y, then z axis, degrees."""
    w, x, y, z = euler2quat(math.radians(roll_deg), math.radians(pitch_deg), math.radians(yaw_deg), "sxyz")
    return float(x), float(y), float(z), float(w)


def _position(point: Translate | TrackPoint, before: PlannedPose, height: float | None) -> Position:
    x, y, z = point.x, point.y, point.z
    if height is not None:
        return x, y, height
    return x, y, before.position[2] if z is None else z


def _height(configuration: Configuration, vehicle: str) -> float | None:
    table = configuration.plan.place == "table"
    return configuration.vehicles[vehicle].shape.floor_height if table else None
