"""Start poses and ways through a zone where no vehicle's body may be."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import chain, islice

import numpy as np

from testbed.description.errors import Problem
from testbed.flight.formation import Zone
from testbed.plan.checks.places import STEP
from testbed.plan.checks.subject import Subject
from testbed.plan.keep_out import KeepOut
from testbed.plan.leg import Leg

ROUNDING = 1e-9


def check(subject: Subject) -> Iterator[Problem]:
    """Look at every pose at which a run starts."""
    for name, zone in KeepOut.of(subject.configuration).zones.items():
        for index, run, poses, _ in subject.runs:
            for vehicle in poses.start:
                if vehicle in run.start:
                    yield from _start(subject, index, vehicle, name, zone)


def paths(subject: Subject) -> Iterator[Problem]:
    """Look at every maneuver; of a vehicle's in a run the first is told, but not where it starts in the zone."""
    for name, zone in KeepOut.of(subject.configuration).zones.items():
        for index, _, _, times in subject.runs:
            for vehicle, legs in times.legs.items():
                if list(_start(subject, index, vehicle, name, zone)):
                    continue
                found = (_leg(subject, (index, vehicle, number), leg, name, zone) for number, leg in enumerate(legs))
                yield from islice(chain.from_iterable(found), 1)


def _start(subject: Subject, index: int, vehicle: str, name: str, zone: Zone) -> Iterator[Problem]:
    point = subject.poses[index].start[vehicle].position[: subject.dimensions]
    radius = subject.configuration.vehicles[vehicle].contact_radius(subject.place)
    apart = float(zone.distance(np.array([point]))[0])
    if apart < radius - ROUNDING:
        allowed = f"{radius:g} m or more from {name}, the radius of {vehicle}; {_told(apart)}"
        yield subject.source.problem(("runs", index, "start", vehicle), list(point), allowed)


def _leg(subject: Subject, which: tuple[int, str, int], leg: Leg, name: str, zone: Zone) -> Iterator[Problem]:
    index, vehicle, number = which
    if not math.isfinite(leg.end):
        return
    radius = subject.configuration.vehicles[vehicle].contact_radius(subject.place)
    moments = np.append(np.arange(leg.begin, leg.end, STEP), leg.end)
    path = np.array([leg.position(moment)[: subject.dimensions] for moment in moments])
    apart = zone.distance(path)
    worst = int(np.argmin(apart))
    if apart[worst] < radius - ROUNDING:
        allowed = (
            f"a way that keeps {radius:g} m from {name}, the radius of {vehicle}; after {moments[worst]:.0f} s "
            f"{_told(float(apart[worst]))}"
        )
        yield subject.source.problem(("runs", index, "maneuvers", vehicle, number), leg.step.kind, allowed)


def _told(apart: float) -> str:
    return f"it is {apart:.2f} m from it" if apart > 0.0 else f"its centre is {-apart:.2f} m inside"
