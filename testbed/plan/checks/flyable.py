"""Single maneuvers that no guidance could fly: too little time, too little gas, corners too sharp for the thrust."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from testbed.description.errors import Problem
from testbed.description.rotation import from_heading, rotate_inverse
from testbed.flight.guidance.plan import GAS_SHARE, HOLDING
from testbed.plan.authority import force_along
from testbed.plan.checks.gas import holding_flow
from testbed.plan.checks.subject import Subject
from testbed.plan.leg import Leg
from testbed.plan.maneuvers import Hold, Rotate, Track, Translate
from testbed.plan.profile import gas_per_rate, gas_per_speed
from testbed.plan.tracks import Curve, curve

Where = tuple[str | int, ...]

LOOKED_AT = 4
"""Times in each piece of a track, ends included, at which its acceleration is compared with the thrust."""


def check(subject: Subject, name: str, where: Where, leg: Leg) -> Iterator[Problem]:
    """Look at one maneuver of a vehicle."""
    match leg.step:
        case Translate() | Rotate():
            yield from _time(subject, name, where, leg)
            yield from _gas(subject, name, where, leg)
        case Track():
            yield from _corners(subject, name, where, leg)
        case Hold(deadband=float() as deadband):
            yield from _room(subject, name, where, leg, deadband)


def _time(subject: Subject, name: str, where: Where, leg: Leg) -> Iterator[Problem]:
    assert isinstance(leg.step, Translate | Rotate)
    if leg.step.duration is None:
        return
    if leg.step.duration < leg.shortest:
        least = math.ceil(100.0 * leg.shortest) / 100.0
        allowed = f"at least {least:g} s, which {name} takes with its thrust and nine tenths of its speed limit"
        yield subject.source.problem((*where, "duration"), leg.step.duration, allowed)


def _gas(subject: Subject, name: str, where: Where, leg: Leg) -> Iterator[Problem]:
    """A slow move takes less gas, but the slope is held against for as long as it takes: between them is the least.

    With what guidance keeps back for corrections.
    """
    assert isinstance(leg.step, Translate | Rotate)
    flow = holding_flow(subject, name)
    if leg.step.gas_g is None or leg.profile is None or leg.profile.distance <= 0.0:
        return
    each = gas_per_speed if isinstance(leg.step, Translate) else gas_per_rate
    per_speed = each(subject.configuration.vehicles[name], subject.place, leg.before, leg.after)
    flow *= HOLDING
    least = 2e3 * math.sqrt((per_speed + flow / leg.profile.acceleration) * flow * leg.profile.distance) / GAS_SHARE
    if leg.step.gas_g < least:
        allowed = f"at least {math.ceil(100.0 * least) / 100.0:g} g, which {name} takes at its most economical speed"
        yield subject.source.problem((*where, "gas_g"), leg.step.gas_g, allowed)


def _corners(subject: Subject, name: str, where: Where, leg: Leg) -> Iterator[Problem]:
    """Acceleration of the curve against the thrust that guidance plans with, at the same attitude; the worst piece."""
    assert isinstance(leg.step, Track)
    path = curve(leg.step, leg.before)
    shares = [
        max(_share(subject, name, path, float(time)) for time in _looked_at(path, piece))
        for piece in range(1, len(path.times))
    ]
    worst = int(np.argmax(shares))
    if shares[worst] > 1.0:
        point = worst + 1 - (len(path.times) - len(leg.step.waypoints))
        allowed = (
            f"{math.sqrt(shares[worst]):.2g} times as much time around it: {name} can give "
            f"{100.0 / shares[worst]:.0f} % of the acceleration there"
        )
        yield subject.source.problem((*where, "waypoints", point, "time"), leg.step.waypoints[point].time, allowed)


def _looked_at(path: Curve, piece: int) -> NDArray[np.float64]:
    return np.linspace(path.times[piece - 1], path.times[piece], LOOKED_AT)


def _share(subject: Subject, name: str, path: Curve, time: float) -> float:
    """Acceleration at a time as a share of what guidance plans with in that direction; the larger side at a corner."""
    vehicle = subject.configuration.vehicles[name]
    largest = 0.0
    for side in (-1e-6, 1e-6):
        acceleration, heading = path.acceleration(time + side), path.heading(time)
        size = float(np.linalg.norm(acceleration))
        if size > 1e-9:
            direction = rotate_inverse(from_heading(heading), tuple(acceleration / size))
            force = vehicle.control.authority * force_along(vehicle, subject.place, direction)
            mass = vehicle.mass_properties(subject.place).mass
            largest = max(largest, size * mass / force if force > 0.0 else math.inf)
    return largest


def _room(subject: Subject, name: str, where: Where, leg: Leg, deadband: float) -> Iterator[Problem]:
    """A deadband reaches at most to the edge of where the vehicle may be."""
    low, high = subject.area(name)
    position = leg.after.position[: subject.dimensions]
    room = min(min(p - a, b - p) for p, a, b in zip(position, low, high, strict=False))
    if deadband > room:
        allowed = f"at most {max(room, 0.0):g} m, as far as it is from {name} to the edge of the working area"
        yield subject.source.problem((*where, "deadband"), deadband, allowed)
