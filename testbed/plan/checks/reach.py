"""Goals that cannot be reached in time, or faster than a vehicle may move."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np

from testbed.description.axes import AXES
from testbed.description.errors import Problem
from testbed.plan.authority import force_along, torque_about
from testbed.plan.checks import flyable
from testbed.plan.checks.subject import Subject
from testbed.plan.flight_limits import PLANNED_SHARE, lowest_spin
from testbed.plan.maneuvers import RATE_LIMIT_DEG, Rotate, Step, Track, Translate
from testbed.plan.schema import Run

ROUNDING: Final = 1e-9


def check(subject: Subject) -> Iterator[Problem]:
    """Look at each vehicle's thrust, at each maneuver's speed, and at the time that each run takes."""
    weak = list(_control(subject))
    yield from weak
    for index, run, poses, times in subject.runs:
        wrong = []
        for name in poses.start:
            for number, step in enumerate(run.steps(name)):
                where = ("runs", index, "maneuvers", name, number)
                found = list(_speeds(subject, name, run, where, step))
                if not weak and not found:
                    found = list(flyable.check(subject, name, where, times.legs[name][number]))
                wrong += found
        yield from wrong
        if not weak and not wrong and times.duration > run.time_limit:
            slowest = max(times.legs, key=lambda name: times.legs[name][-1].end if times.legs[name] else 0.0)
            allowed = f"at least {times.duration:.1f} s, which {slowest} needs with its thrust and speed limits"
            yield subject.source.problem(("runs", index, "time_limit"), run.time_limit, allowed)


def _control(subject: Subject) -> Iterator[Problem]:
    """Whether the valves in service push and turn each vehicle every way that its place leaves free."""
    free = subject.configuration.active_axes
    for name, vehicle in subject.configuration.vehicles.items():
        source = subject.configuration.sources[f"vehicles.{name}"]
        missing = []
        for axis, words in _MOTIONS.items():
            effect = force_along if axis in AXES[:3] else torque_about
            along = np.eye(3)[AXES.index(axis) % 3]
            for sign, word in zip((1.0, -1.0), words, strict=True):
                if axis in free and effect(vehicle, subject.place, sign * along) == 0.0:
                    missing.append(word)
        if missing:
            allowed = f"valves in service that can {', '.join(missing)}"
            yield source.problem(("thrusters", "valves"), f"{len(vehicle.thrusters.valves)} valves", allowed)


_MOTIONS = {
    "x": ("push forward", "push backward"),
    "y": ("push left", "push right"),
    "z": ("push up", "push down"),
    "roll": ("roll right", "roll left"),
    "pitch": ("pitch down", "pitch up"),
    "yaw": ("turn left", "turn right"),
}
"""What a positive and a negative force or torque along each axis of base_link does."""


def _speeds(subject: Subject, name: str, run: Run, where: tuple[str | int, ...], step: Step) -> Iterator[Problem]:
    vehicle = subject.configuration.vehicles[name]
    fastest = vehicle.speed_limit(subject.place)
    key = "floor_speed" if subject.place == "table" else "flight_speed"
    match step:
        case Translate(speed_limit=float() as speed) if speed > fastest:
            allowed = f"at most {fastest:g} m/s, the {key} of {name}"
            yield subject.source.problem((*where, "speed_limit"), speed, allowed)
        case Rotate(duration=None, gas_g=None):
            rate = step.rate_limit_deg or RATE_LIMIT_DEG
            limit, whose = lowest_spin(subject.configuration, name, run)
            if rate > PLANNED_SHARE * limit * (1.0 + ROUNDING):
                most = PLANNED_SHARE * limit
                allowed = f"at most {most:.4g} degrees/s, nine tenths of {limit:g}, {whose}: turns overshoot a little"
                yield subject.source.problem((*where, "rate_limit_deg"), rate, allowed)
        case Track(waypoints=points):
            for number, (a, b) in enumerate(pairwise(points), 1):
                way = a.distance(b, subject.place)
                if way / (b.time - a.time) > fastest:
                    earliest = a.time + way / fastest
                    allowed = f"at least {earliest:.1f} s, as {name} moves at most {fastest:g} m/s"
                    yield subject.source.problem((*where, "waypoints", number, "time"), b.time, allowed)
