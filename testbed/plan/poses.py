"""The poses that a plan asks for: where each run starts and where each maneuver ends."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from transforms3d.euler import euler2quat

from testbed.flight.formation import Frame
from testbed.plan.configuration import Configuration
from testbed.plan.formation_slots import Arrangement, Orientation, Position, elapsed, where
from testbed.plan.maneuvers import FormationStep, Hold, Pose, Rotate, Single, Track, TrackPoint, Translate
from testbed.plan.schema import Run


@dataclass(frozen=True)
class PlannedPose:
    """Position m and orientation (x, y, z, w) of base_link in the fixed frame."""

    position: Position
    orientation: Orientation


@dataclass(frozen=True)
class RunPoses:
    """Planned poses of one run by vehicle: at its start, and after each maneuver.

    A vehicle that was never given a pose is absent. places: for each formation flown, the index of the place that each
    vehicle has in it, decided when it first sets out for it.
    """

    start: Mapping[str, PlannedPose]
    after: Mapping[str, Sequence[PlannedPose]]
    places: Mapping[str, Mapping[str, int]] = field(default_factory=dict)

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
        runs.append(_flown(configuration, run, start))
        now |= runs[-1].goals
    return tuple(runs)


def _flown(configuration: Configuration, run: Run, start: Mapping[str, PlannedPose]) -> RunPoses:
    """Follow one run step by step; formations last, those that have a leader after all others."""
    after: dict[str, list[PlannedPose]] = {name: [] for name in start}
    taken: dict[str, dict[str, int]] = {}
    steps = {name: run.steps(name) for name in start}
    for index in range(max((len(each) for each in steps.values()), default=0)):
        before = {name: after[name][-1] if after[name] else start[name] for name in start}
        flown = {name: each[index] for name, each in steps.items() if index < len(each)}
        then, members = dict(before), dict[str, list[str]]()
        for name, step in flown.items():
            if isinstance(step, FormationStep):
                members.setdefault(step.formation, []).append(name)
            else:
                then[name] = pose_after(step, before[name], _height(configuration, name))
        formations = [Arrangement.of(configuration, formation) for formation in members]
        for formation in sorted(formations, key=lambda one: one.leader is not None):
            if formation.leader is None or formation.leader in start:
                mine = members[formation.name], taken.setdefault(formation.name, {})
                then |= _in_formation(formation, run, index, *mine, before, then)
        for name in flown:
            after[name].append(then[name])
    return RunPoses(start, after, taken)


def _in_formation(
    formation: Arrangement,
    run: Run,
    index: int,
    members: Sequence[str],
    taken: dict[str, int],
    before: Mapping[str, PlannedPose],
    then: Mapping[str, PlannedPose],
) -> dict[str, PlannedPose]:
    """Where the steps of one formation at one index of a run end; who has no place yet gets one in `taken`."""
    begin, end = (elapsed(run, formation.name, each) for each in (index, index + 1))
    setting_out = {name: before[name].position for name in members if name not in taken}
    taken |= formation.choose(frame_of(formation, before), begin, setting_out, taken)
    frame = frame_of(formation, then)
    return {name: PlannedPose(*where(formation.place(taken[name], name).slot(frame), end)) for name in members}


def frame_of(formation: Arrangement, poses: Mapping[str, PlannedPose]) -> Frame:
    """The frame of a formation; that of its leader at rest where the leader is."""
    frame = formation.frame
    if frame is not None:
        return frame
    assert formation.leader is not None
    leader = poses[formation.leader]
    return Frame(leader.position, leader.orientation)


def pose_after(step: Single, before: PlannedPose, height: float | None) -> PlannedPose:
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
