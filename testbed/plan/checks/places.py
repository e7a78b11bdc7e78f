"""Poses outside the working area, too close to each other, or asked for in a way that cannot be flown."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from testbed.description.errors import Problem
from testbed.plan.checks.subject import Subject
from testbed.plan.geometry import angles_deg
from testbed.plan.maneuvers import Hold, Pose, Rotate, Step, Track, TrackPoint
from testbed.plan.poses import PlannedPose, RunPoses, orientation_of
from testbed.plan.schema import Run
from testbed.plan.timeline import Timeline

STEP = 0.25
"""Time step at which planned paths are compared, s: at 0.07 m/s a vehicle moves 2 cm."""
NEAR = 0.10
NEAR_DEG = 10.0
"""A hold or track begins at the pose before it, to within this."""

Where = tuple[str | int, ...]


def check(subject: Subject) -> Iterator[Problem]:
    """Look at every pose of every run."""
    for index, run, poses, _ in subject.runs:
        for name, pose in run.start.items():
            if name in poses.start:
                yield from _inside(subject, ("runs", index, "start", name), name, pose)
                yield from _level(subject, ("runs", index, "start", name), pose.attitude_deg)
        yield from _starts_apart(subject, index, run, poses)
        for name in poses.start:
            for number, step in enumerate(run.steps(name)):
                before = poses.after[name][number - 1] if number else poses.start[name]
                yield from _maneuver(subject, ("runs", index, "maneuvers", name, number), name, step, before)


def paths(subject: Subject) -> Iterator[Problem]:
    """Look at the paths between the poses of every run."""
    for index, _, _, _ in subject.runs:
        yield from _paths_apart(subject, index)


def _inside(subject: Subject, where: Where, name: str, point: Pose | TrackPoint | Step) -> Iterator[Problem]:
    """Whether a point of the plan lies where the vehicle may be asked for; a point without coordinates does."""
    words = "the working area" if subject.place == "table" else f"the cabin less the radius of {name}"
    for axis, low, high in zip("xyz", *subject.area(name), strict=False):
        value = getattr(point, axis, None)
        if value is not None and not low <= value <= high:
            yield subject.source.problem((*where, axis), value, f"{low:g} to {high:g} m, {words}")


def _level(subject: Subject, where: Where, attitude: tuple[float, float, float] | None) -> Iterator[Problem]:
    if subject.place == "table" and attitude is not None and any(attitude[:2]):
        allowed = "no roll and no pitch on the table, which holds both at 0"
        yield subject.source.problem((*where, "attitude_deg"), list(attitude), allowed)


def _starts_apart(subject: Subject, index: int, run: Run, poses: RunPoses) -> Iterator[Problem]:
    vehicles = subject.configuration.vehicles
    for first, second in combinations(poses.start, 2):
        if first not in run.start and second not in run.start:
            continue  # both go on from where they were, which the run before answers for
        apart = subject.apart(poses.start[first], poses.start[second])
        touching = vehicles[first].contact_radius(subject.place) + vehicles[second].contact_radius(subject.place)
        if apart < subject.separation:
            later = second if second in run.start else first
            what = "overlaps with" if apart < touching else "is too close to"
            other = first if later == second else second
            allowed = f"at least {subject.separation:g} m from {other}; it {what} it at {apart:.3f} m"
            pose = run.start[later]
            yield subject.source.problem(("runs", index, "start", later), _coordinates(subject, pose), allowed)


def _maneuver(subject: Subject, where: Where, name: str, step: Step, before: PlannedPose) -> Iterator[Problem]:
    yield from _inside(subject, where, name, step)
    match step:
        case Rotate():
            yield from _level(subject, where, step.attitude_deg)
        case Hold(pose=Pose() as pose):
            yield from _inside(subject, (*where, "pose"), name, pose)
            yield from _level(subject, (*where, "pose"), pose.attitude_deg)
            there = _coordinates(subject, pose)
            if math.dist(there, before.position[: subject.dimensions]) > NEAR:
                allowed = f"within {NEAR:g} m of the pose before; hold plans no path, use translate"
                yield subject.source.problem((*where, "pose"), there, allowed)
        case Track(waypoints=points):
            for number, point in enumerate(points):
                yield from _inside(subject, (*where, "waypoints", number), name, point)
            yield from _track_begins(subject, (*where, "waypoints", 0), points[0], before)


def _track_begins(subject: Subject, where: Where, first: TrackPoint, before: PlannedPose) -> Iterator[Problem]:
    here = before.position[: subject.dimensions]
    there = [*_coordinates(subject, first)]
    if subject.place == "cabin" and first.z is None:
        there[2] = here[2]
    if first.time == 0.0 and math.dist(there, here) > NEAR:
        told = ", ".join(f"{part:g}" for part in here)
        allowed = f"within {NEAR:g} m of ({told}), where the vehicle is at that time"
        yield subject.source.problem(where, there, allowed)
    wanted = np.array([orientation_of(0.0, 0.0, first.heading_deg)])
    if first.time == 0.0 and angles_deg(wanted, np.array(before.orientation))[0] > NEAR_DEG:
        heading = math.degrees(2.0 * math.atan2(before.orientation[2], before.orientation[3]))
        allowed = f"within {NEAR_DEG:g}° of {heading:g}°, where the vehicle points at that time"
        yield subject.source.problem((*where, "heading_deg"), first.heading_deg, allowed)


def _paths_apart(subject: Subject, index: int) -> Iterator[Problem]:
    """Compare planned paths in time; goals too, as the last moment of each path. Of all pairs the closest is told."""
    poses, times = subject.poses[index], subject.timelines[index]
    if not math.isfinite(times.duration):
        return
    moments = np.append(np.arange(0.0, times.duration, STEP), times.duration)
    paths = {name: _path(poses.start[name], times, name, moments) for name in poses.start}
    pairs = []
    for first, second in combinations(paths, 2):
        between = np.linalg.norm((paths[first] - paths[second])[:, : subject.dimensions], axis=1)
        if between[0] >= subject.separation:  # else the start poses are told already
            closest = int(np.argmin(between))
            pairs.append((float(between[closest]), first, second, float(moments[closest])))
    apart, first, second, moment = min(pairs, default=(math.inf, "", "", 0.0))
    if apart < subject.separation - 1e-9:
        mover, other = (second, first) if times.legs[second] else (first, second)
        number = times.legs[mover].index(leg) if (leg := times.leg(mover, moment)) else 0
        allowed = (
            f"a way that keeps {subject.separation:g} m from {other}; "
            f"this one comes as near as {apart:.2f} m after {moment:.0f} s"
        )
        where = ("runs", index, "maneuvers", mover, number)
        kind = subject.configuration.plan.runs[index].maneuvers[mover][number].kind
        yield subject.source.problem(where, kind, allowed)


def _path(start: PlannedPose, times: Timeline, name: str, moments: NDArray[np.float64]) -> NDArray[np.float64]:
    """Position of a vehicle at each moment, shape (n, 3)."""
    legs = ((times.leg(name, moment), moment) for moment in moments)
    return np.array([start.position if leg is None else leg.position(moment) for leg, moment in legs])


def _coordinates(subject: Subject, point: Pose | TrackPoint) -> list[float]:
    """The free coordinates of a point; a height that is not given counts as 0."""
    return [point.x, point.y, point.z or 0.0][: subject.dimensions]
