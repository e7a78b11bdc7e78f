"""When each vehicle is where, if all goes as planned: rest-to-rest profiles in closed form, without settling times.

So a timeline is the least that a run can take with the thrust that guidance plans with.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from testbed.description.vehicle import Vehicle
from testbed.plan.authority import Place
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import Fastest, fastest_planned
from testbed.plan.formation_plans import plan_formations
from testbed.plan.leg import Leg
from testbed.plan.maneuvers import FormationStep, Hold, Rotate, Step, Track, Translate
from testbed.plan.poses import PlannedPose, RunPoses
from testbed.plan.profile import fastest, rotation, translation
from testbed.plan.schema import Run


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
    """Lay out the maneuvers of a run in time, then plan the ways of its formations, which change no times."""
    legs: dict[str, list[Leg]] = {name: [] for name in poses.start}
    steps, most = {name: run.steps(name) for name in legs}, fastest_planned(configuration, run)
    for index in range(max((len(each) for each in steps.values()), default=0)):
        together = max((each[-1].end for each in legs.values() if each), default=0.0)
        for name in legs:
            if index < len(steps[name]):
                before = poses.after[name][index - 1] if index else poses.start[name]
                begin = together if run.together else (legs[name][-1].end if legs[name] else 0.0)
                vehicle, place = configuration.vehicles[name], configuration.place
                step, after = steps[name][index], poses.after[name][index]
                legs[name].append(_leg(vehicle, place, most[name], step, before, after, begin))
    plan_formations(configuration, run, poses, legs)
    return Timeline(legs)


def _leg(
    vehicle: Vehicle, place: Place, most: Fastest, step: Step, before: PlannedPose, after: PlannedPose, begin: float
) -> Leg:
    match step:
        case Hold() | FormationStep():
            return Leg(step, before, after, begin, begin + step.duration)
        case Track():
            return Leg(step, before, after, begin, begin + step.waypoints[-1].time)
        case Translate():
            profile = translation(vehicle, place, most, step, before, after)
        case Rotate():
            profile = rotation(vehicle, place, most, step, before, after)
    shortest = fastest(vehicle, place, most, step, before, after).duration
    return Leg(step, before, after, begin, begin + profile.duration, profile, shortest)
