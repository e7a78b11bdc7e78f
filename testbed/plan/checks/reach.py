"""Goals that cannot be reached in time, or faster than a vehicle may move."""

from __future__ import annotations

import math
from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.plan.authority import force_along, torque
from testbed.plan.checks.subject import Subject
from testbed.plan.maneuvers import Rotate, Step, Track, Translate


def check(subject: Subject) -> Iterator[Problem]:
    """Look at each vehicle's thrust, at each maneuver's speed, and at the time that each run takes."""
    weak = list(_control(subject))
    yield from weak
    for index, run, poses, times in subject.runs:
        for name in poses.start:
            for number, step in enumerate(run.maneuvers.get(name, ())):
                yield from _speeds(subject, name, ("runs", index, "maneuvers", name, number), step)
        if not weak and times.duration > run.time_limit:
            slowest = max(times.legs, key=lambda name: times.legs[name][-1].end if times.legs[name] else 0.0)
            allowed = f"at least {times.duration:.1f} s, which {slowest} needs with its thrust and speed limits"
            yield subject.source.problem(("runs", index, "time_limit"), run.time_limit, allowed)


def _control(subject: Subject) -> Iterator[Problem]:
    """Whether the valves in service push and turn each vehicle every way on the table."""
    for name, vehicle in subject.configuration.vehicles.items():
        source = subject.configuration.sources[f"vehicles.{name}"]
        missing = [text for angle, text in _DIRECTIONS if force_along(vehicle, angle) == 0.0]
        missing += [text for sign, text in ((1.0, "turn left"), (-1.0, "turn right")) if torque(vehicle, sign) == 0.0]
        if missing:
            allowed = f"valves in service that can {', '.join(missing)}"
            yield source.problem(("thrusters", "valves"), f"{len(vehicle.thrusters.valves)} valves", allowed)


_DIRECTIONS = (
    (0.0, "push forward"),
    (math.pi, "push backward"),
    (0.5 * math.pi, "push left"),
    (-0.5 * math.pi, "push right"),
)


def _speeds(subject: Subject, name: str, where: tuple[str | int, ...], step: Step) -> Iterator[Problem]:
    limits = subject.configuration.vehicles[name].limits
    match step:
        case Translate() if step.speed_limit > limits.floor_speed:
            allowed = f"at most {limits.floor_speed:g} m/s, the floor_speed of {name}"
            yield subject.source.problem((*where, "speed_limit"), step.speed_limit, allowed)
        case Rotate() if step.rate_limit_deg > limits.rate_deg:
            allowed = f"at most {limits.rate_deg:g} degrees/s, the rate_deg of {name}"
            yield subject.source.problem((*where, "rate_limit_deg"), step.rate_limit_deg, allowed)
        case Track(waypoints=points):
            for number in range(1, len(points)):
                a, b = points[number - 1], points[number]
                speed = math.hypot(b.x - a.x, b.y - a.y) / (b.time - a.time)
                if speed > limits.floor_speed:
                    earliest = a.time + math.hypot(b.x - a.x, b.y - a.y) / limits.floor_speed
                    allowed = f"at least {earliest:.1f} s, as {name} moves at most {limits.floor_speed:g} m/s"
                    yield subject.source.problem((*where, "waypoints", number, "time"), b.time, allowed)
