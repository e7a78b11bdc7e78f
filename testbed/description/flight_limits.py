"""The limits that the guard keeps a vehicle within, resolved for one vehicle in one place."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Self

from testbed.description.model import Vector
from testbed.description.vehicle import Vehicle

EVERYWHERE: tuple[Vector, Vector] = ((-math.inf,) * 3, (math.inf,) * 3)


@dataclass(frozen=True)
class FlightLimits:
    """speed m/s and contact_energy J of the centre of mass, spin rad/s, work_area: corners for base_link, m."""

    speed: float
    spin: float
    contact_energy: float
    work_area: tuple[Vector, Vector] = EVERYWHERE

    @classmethod
    def of(cls, vehicle: Vehicle, place: Literal["table", "cabin"]) -> Self:
        """The vehicle's own limits, anywhere."""
        spin = math.radians(vehicle.limits.rate_deg)
        return cls(vehicle.speed_limit(place), spin, largest_contact_energy(vehicle))


def largest_contact_energy(vehicle: Vehicle) -> float:
    """Kinetic energy, J, that the bumper takes up with the vehicle's contact_force against something that stands fast.

    Peak force of an elastic contact: F = sqrt(m·k)·v, so ½·m·v² = F²/(2·k).
    """
    return vehicle.limits.contact_force**2 / (2.0 * vehicle.shape.bumper_stiffness)
