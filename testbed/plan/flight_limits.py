"""The limits of a session for each vehicle: the plan's, and where it says nothing the vehicle's and the room's."""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from testbed.description.flight_limits import FlightLimits, largest_contact_energy
from testbed.description.model import Vector
from testbed.plan.abort import area
from testbed.plan.configuration import Configuration
from testbed.plan.criteria_schema import Spin
from testbed.plan.schema import Run

Area = tuple[tuple[float, ...], tuple[float, ...]]


PLANNED_SHARE: Final = 0.9
"""Share of a limit that a move may be planned with: what is flown is at times faster than what is planned."""


class Fastest(NamedTuple):
    """Speed m/s and rate rad/s that a vehicle's moves may be planned with at most."""

    speed: float
    rate: float


def fastest_planned(configuration: Configuration, run: Run) -> dict[str, Fastest]:
    """Of each vehicle's moves by time and by gas in a run: a share of what guard and abort criteria allow."""
    found = {}
    for name in configuration.vehicles:
        speed = min(flight_limits(configuration, name).speed, speed_by_energy(configuration, name))
        rate = math.radians(lowest_spin(configuration, name, run)[0])
        found[name] = Fastest(PLANNED_SHARE * speed, PLANNED_SHARE * rate)
    return found


def lowest_spin(configuration: Configuration, name: str, run: Run) -> tuple[float, str]:
    """The lowest limit on a vehicle's spin in a run, degrees/s, and whose it is."""
    plan = configuration.plan
    found = [(configuration.vehicles[name].limits.rate_deg, f"the rate_deg of {name}")]
    if plan.limits.spin_deg is not None:
        found.append((plan.limits.spin_deg, "the spin_deg of limits"))
    found += [(abort.limit_deg, "at which a try is aborted") for abort in plan.aborts(run) if isinstance(abort, Spin)]
    return min(found, key=lambda one: one[0])


def speed_by_energy(configuration: Configuration, name: str) -> float:
    """Speed, m/s, at which a vehicle has the contact energy that its guard goes by."""
    mass = configuration.vehicles[name].mass_properties(configuration.place).mass
    return math.sqrt(2.0 * flight_limits(configuration, name).contact_energy / mass)


def flight_limits(configuration: Configuration, name: str) -> FlightLimits:
    """What the guard of a vehicle goes by; heights on the table are left open."""
    vehicle, asked = configuration.vehicles[name], configuration.plan.limits
    low, high = asked.work_area or room_area(configuration, name)
    return FlightLimits(
        speed=vehicle.speed_limit(configuration.place) if asked.speed is None else asked.speed,
        spin=math.radians(vehicle.limits.rate_deg if asked.spin_deg is None else asked.spin_deg),
        contact_energy=largest_contact_energy(vehicle) if asked.contact_energy is None else asked.contact_energy,
        work_area=(_corner(low, -math.inf), _corner(high, math.inf)),
    )


def room_area(configuration: Configuration, name: str) -> Area:
    """Lower and upper corner of where the room lets a vehicle's centre be asked for, m."""
    low, high = area(configuration.room)
    if configuration.place == "table":
        return low, high
    radius = configuration.vehicles[name].contact_radius("cabin")
    return tuple(one + radius for one in low), tuple(one - radius for one in high)


def _corner(corner: tuple[float, ...], height: float) -> Vector:
    x, y, z = (*corner, height)[:3]
    return x, y, z
