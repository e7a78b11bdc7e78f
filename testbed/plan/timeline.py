"""When each vehicle is where, if all goes as planned: rest-to-rest profiles in closed form, without settling times.

So a timeline is the least that a run can take with the thrust that guidance plans with. On the table.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from testbed.description.vehicle import Vehicle
from testbed.plan.authority import force_along, torque
from testbed.plan.configuration import Configuration
from testbed.plan.geometry import angles_deg
from testbed.plan.maneuvers import Hold, Rotate, Step, Track, Translate
from testbed.plan.poses import PlannedPose, RunPoses
from testbed.plan.schema import Run


@dataclass(frozen=True)
class Profile:
    """Rest-to-rest motion over a distance with limited acceleration and speed; in m or in rad."""

    distance: float
    acceleration: float
    speed: float

    @property
    def peak(self) -> float:
        """Largest speed reached."""
        return min(self.speed, math.sqrt(self.distance * self.acceleration))

    @property
    def duration(self) -> float:
        """Time it takes, s: bang-coast-bang, infinite without acceleration (double integrator, e.g. Bryson & Ho)."""
        if self.distance <= 0.0:
            return 0.0
        if self.acceleration <= 0.0:
            return math.inf
        return self.distance / self.peak + self.peak / self.acceleration

    def progress(self, time: float) -> float:
        """Distance covered after a time from the beginning."""
        if time <= 0.0 or self.distance <= 0.0:
            return 0.0
        if time >= self.duration:
            return self.distance
        ramp = self.peak / self.acceleration
        if time > self.duration - ramp:
            return self.distance - 0.5 * self.acceleration * (self.duration - time) ** 2
        if time > ramp:
            return 0.5 * self.peak * ramp + self.peak * (time - ramp)
        return 0.5 * self.acceleration * time**2


@dataclass(frozen=True)
class Leg:
    """One maneuver from `begin` to `end`, s after the try began."""

    step: Step
    before: PlannedPose
    after: PlannedPose
    begin: float
    end: float
    profile: Profile | None = None

    def position(self, time: float) -> tuple[float, float]:
        """Position x, y in m at a time, m."""
        if isinstance(self.step, Track):
            times = [self.begin + point.time for point in self.step.waypoints]
            x = np.interp(time, times, [point.x for point in self.step.waypoints])
            return float(x), float(np.interp(time, times, [point.y for point in self.step.waypoints]))
        (x0, y0, _), (x1, y1, _) = self.before.position, self.after.position
        share = 1.0
        if isinstance(self.step, Translate) and self.profile and self.profile.distance > 0.0:
            share = self.profile.progress(time - self.begin) / self.profile.distance
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0)

    def angle_left(self, time: float) -> float:
        """How far the heading still is from where the leg ends, degrees."""
        if self.profile is None or not isinstance(self.step, Rotate):
            return 0.0
        return math.degrees(self.profile.distance - self.profile.progress(time - self.begin))


@dataclass(frozen=True)
class Timeline:
    """All legs of one run, by vehicle."""

    legs: Mapping[str, Sequence[Leg]]

    @property
    def duration(self) -> float:
        """When the last maneuver is over, s."""
        return max((legs[-1].end for legs in self.legs.values() if legs), default=0.0)

    def leg(self, vehicle: str, time: float) -> Leg | None:
        """The maneuver that a vehicle flies at a time, the last one after its end; None if it has none."""
        legs = self.legs.get(vehicle, ())
        return next((leg for leg in legs if time < leg.end), legs[-1] if legs else None)


def timeline(configuration: Configuration, run: Run, poses: RunPoses) -> Timeline:
    """Lay out the maneuvers of a run in time."""
    legs: dict[str, list[Leg]] = {name: [] for name in poses.start}
    steps = {name: run.maneuvers.get(name, ()) for name in legs}
    for index in range(max((len(each) for each in steps.values()), default=0)):
        together = max((each[-1].end for each in legs.values() if each), default=0.0)
        for name in legs:
            if index < len(steps[name]):
                before = poses.after[name][index - 1] if index else poses.start[name]
                begin = together if run.together else (legs[name][-1].end if legs[name] else 0.0)
                vehicle = configuration.vehicles[name]
                legs[name].append(_leg(vehicle, steps[name][index], before, poses.after[name][index], begin))
    return Timeline(legs)


def _leg(vehicle: Vehicle, step: Step, before: PlannedPose, after: PlannedPose, begin: float) -> Leg:
    match step:
        case Hold():
            return Leg(step, before, after, begin, begin + step.duration)
        case Track():
            return Leg(step, before, after, begin, begin + step.waypoints[-1].time)
        case Translate():
            profile = translation(vehicle, step, before, after)
        case Rotate():
            profile = rotation(vehicle, step, before, after)
    return Leg(step, before, after, begin, begin + profile.duration, profile)


def translation(vehicle: Vehicle, step: Translate, before: PlannedPose, after: PlannedPose) -> Profile:
    """Profile of a straight move with the share of thrust that guidance plans with, there and back along the path."""
    dx, dy = after.position[0] - before.position[0], after.position[1] - before.position[1]
    direction = math.atan2(dy, dx) - heading(before)
    weaker = min(force_along(vehicle, direction), force_along(vehicle, direction + math.pi))
    return Profile(math.hypot(dx, dy), vehicle.control.authority * weaker / vehicle.floor.mass, step.speed_limit)


def rotation(vehicle: Vehicle, step: Rotate, before: PlannedPose, after: PlannedPose) -> Profile:
    """Profile of a turn about z with the share of thrust that guidance plans with."""
    angle = float(angles_deg(np.array([before.orientation]), np.array(after.orientation))[0])
    weaker = min(torque(vehicle, 1.0), torque(vehicle, -1.0))
    acceleration = vehicle.control.authority * weaker / vehicle.floor.inertia[2]
    return Profile(math.radians(angle), acceleration, math.radians(step.rate_limit_deg))


def heading(pose: PlannedPose) -> float:
    """Heading of a level pose, rad."""
    return 2.0 * math.atan2(pose.orientation[2], pose.orientation[3])
