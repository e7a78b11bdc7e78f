"""Limits for the guard that a vehicle or its room does not allow, and maneuvers that the guard would not let happen."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

from testbed.description.errors import Problem
from testbed.description.flight_limits import largest_contact_energy
from testbed.plan.checks.subject import Subject
from testbed.plan.flight_limits import flight_limits, room_area, speed_by_energy
from testbed.plan.maneuvers import SPEED_LIMIT, Hold, Step, Track, Translate

Where = tuple[str | int, ...]

ROUNDING: Final = 1e-9


def check(subject: Subject) -> Iterator[Problem]:
    """Look at the limits first, then at each start, maneuver and waypoint."""
    for name in subject.configuration.vehicles:
        yield from _above(subject, name)
    for index, run, poses, _ in subject.runs:
        for name in poses.start:
            if name in run.start:
                yield from _outside(subject, name, ("runs", index, "start", name), run.start[name])
            for number, step in enumerate(run.steps(name)):
                where: Where = ("runs", index, "maneuvers", name, number)
                yield from _too_fast(subject, name, where, step)
                yield from _outside(subject, name, where, step)
                if isinstance(step, Hold) and step.pose is not None:
                    yield from _outside(subject, name, (*where, "pose"), step.pose)
                for point, waypoint in enumerate(step.waypoints if isinstance(step, Track) else ()):
                    yield from _outside(subject, name, (*where, "waypoints", point), waypoint)


def _above(subject: Subject, name: str) -> Iterator[Problem]:
    """Limits of the plan beyond those of a vehicle or of the room."""
    vehicle, asked = subject.configuration.vehicles[name], subject.configuration.plan.limits
    key = "floor_speed" if subject.place == "table" else "flight_speed"
    energy = largest_contact_energy(vehicle)
    own = (
        ("speed", asked.speed, vehicle.speed_limit(subject.place), f" m/s, the {key} of {name}"),
        ("spin_deg", asked.spin_deg, vehicle.limits.rate_deg, f" degrees/s, the rate_deg of {name}"),
        (
            "contact_energy",
            asked.contact_energy,
            energy,
            f" J, which the bumper of {name} takes up at its contact_force",
        ),
    )
    for field, value, most, what in own:
        if value is not None and value > most * (1.0 + ROUNDING):
            yield subject.source.problem(("limits", field), value, f"at most {most:.4g}{what}")
    if asked.work_area is not None:
        low, high = room_area(subject.configuration, name)
        inside = all(a <= b for a, b in zip(low, asked.work_area[0], strict=True))
        if not (inside and all(a >= b for a, b in zip(high, asked.work_area[1], strict=True))):
            corners = ", ".join(f"[{', '.join(f'{value:g}' for value in corner)}]" for corner in (low, high))
            allowed = f"within [{corners}], where the {subject.place} lets {name} be"
            yield subject.source.problem(("limits", "work_area"), asked.model_dump(mode="json")["work_area"], allowed)


def _too_fast(subject: Subject, name: str, where: Where, step: Step) -> Iterator[Problem]:
    """Moves faster than the plan's own limits; turns, and the vehicle's limits, are looked at elsewhere (reach.py)."""
    asked, place = subject.configuration.plan.limits, subject.place
    vehicle = subject.configuration.vehicles[name]
    energy = flight_limits(subject.configuration, name).contact_energy
    by_energy = speed_by_energy(subject.configuration, name)
    fastest, why = by_energy, f"at which {name} has the contact_energy of {energy:.3g} J"
    if asked.speed is not None and asked.speed <= by_energy:
        fastest, why = asked.speed, "the speed of limits"
    match step:
        case Translate(duration=None, gas_g=None):
            speed = step.speed_limit or SPEED_LIMIT
            if fastest * (1.0 + ROUNDING) < speed <= vehicle.speed_limit(place):
                yield subject.source.problem((*where, "speed_limit"), speed, f"at most {fastest:.3g} m/s, {why}")
        case Track(waypoints=points):
            for number, (a, b) in enumerate(pairwise(points), 1):
                way = a.distance(b, place)
                speed = way / (b.time - a.time)
                if fastest * (1.0 + ROUNDING) < speed <= vehicle.speed_limit(place):
                    earliest = a.time + way / fastest
                    allowed = f"at least {earliest:.1f} s, as at most {fastest:.3g} m/s are allowed, {why}"
                    yield subject.source.problem((*where, "waypoints", number, "time"), b.time, allowed)


def _outside(subject: Subject, name: str, where: Where, point: Any) -> Iterator[Problem]:
    """A point that lies in the room's area, but not in that of the plan's limits; without coordinates it does."""
    own = subject.configuration.plan.limits.work_area
    if own is None:
        return
    bounds = zip("xyz", *own, *room_area(subject.configuration, name), strict=False)
    for axis, low, high, room_low, room_high in bounds:
        value = getattr(point, axis, None)
        if value is not None and room_low <= value <= room_high and not low <= value <= high:
            yield subject.source.problem((*where, axis), value, f"{low:g} to {high:g} m, the work_area of limits")
