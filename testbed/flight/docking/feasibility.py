"""Whether an approach to a spinning partner fits into a vehicle's authority, speed and the separation required.

Who turns with a partner of spin w at the distance r of the centres pushes inward with m·w²·r all the time (centripetal
share), and sideways with 2·m·w·v while it closes in at v (Coriolis share); the closing speed itself is changed with the
little that approach.EASING says. Shares are of what the valves can give along that very direction, by the allocation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.port import Port
from testbed.description.vehicle import Vehicle
from testbed.flight.allocation import Allocation
from testbed.flight.docking import entry
from testbed.flight.docking.approach import EASING
from testbed.flight.docking.entry import SHARE
from testbed.flight.docking.memory import APPROACH_SPEED, SPEED_SHARE

AXIAL: Final = 0.9
"""Cosine to z from which on a direction counts as along it."""


@dataclass(frozen=True)
class Approach:
    """What an approach takes. distance m: of the centres at the standoff; speed m/s: there.

    Shares of the authority: centripetal, Coriolis and of the changes of speed on their own, and total together, at the
    worst moment.
    """

    distance: float
    speed: float
    centripetal: float
    coriolis: float
    easing: float
    total: float

    @property
    def fits(self) -> bool:
        """Whether the total is within what an approach may take."""
        return self.total <= SHARE


def approach(
    vehicle: Vehicle,
    port: Port,
    place: Literal["table", "cabin"],
    active_axes: tuple[str, ...],
    spin: float,
    distance: float,
    closing: float = APPROACH_SPEED,
) -> Approach:
    """The shares that `vehicle` needs to close in at `closing` m/s with its `port` first, from `distance` m.

    spin: of the partner across its port's axis, rad/s.
    """
    allocation, mass = Allocation(vehicle, place, active_axes), vehicle.mass_properties(place).mass
    ahead = np.array(port.direction) / np.linalg.norm(port.direction)
    aside = np.cross((0.0, 0.0, 1.0) if abs(ahead[2]) < AXIAL else (1.0, 0.0, 0.0), ahead)
    aside /= np.linalg.norm(aside)
    inward, sideways, eased = mass * spin**2 * distance, 2.0 * mass * abs(spin) * closing, mass * EASING

    def share(force: NDArray[np.float64]) -> float:
        return _share(allocation, force)

    together = max(
        share(inward * ahead + sense * sideways * aside + change * eased * ahead)
        for sense in (1.0, -1.0)
        for change in (1.0, 0.0, -1.0)
    )
    return Approach(
        distance, abs(spin) * distance, share(inward * ahead), share(sideways * aside), share(eased * ahead), together
    )


def standoff(parameters: NDArray[np.void], spin: float, own_port: int = 0, its_port: int = 0) -> float:
    """Distance of the centres, m, at which docking (memory.PARAMETERS) turns with a partner of `spin` rad/s."""
    p = parameters[0]
    ahead, its = p["port"][own_port], p["partner_port"][its_port]
    axis = its["direction"]
    arm = its["position"] - p["partner"]["centre_of_mass"]
    docked = p["active"][:3] * (arm + float(ahead["position"] @ ahead["direction"]) * axis)
    across = np.cross(axis, (0.0, 0.0, 1.0) if abs(axis[2]) < AXIAL else (1.0, 0.0, 0.0))
    gap = entry.standoff(p, docked, spin * across / np.linalg.norm(across), axis)
    return float(np.linalg.norm(docked) + gap)


def refusal(one: Approach, speed_limit: float) -> str:
    """Why a plan check should refuse an approach, in words; empty where it fits."""
    if not one.fits:
        return (
            f"{one.total:.0%} of the authority {one.distance:.2f} m from the partner "
            f"(centripetal {one.centripetal:.0%}, Coriolis {one.coriolis:.0%}), where {SHARE:.0%} is the most"
        )
    if one.speed > SPEED_SHARE * speed_limit:
        return (
            f"{one.speed:.3f} m/s turning with the partner {one.distance:.2f} m from it, "
            f"where {SPEED_SHARE * speed_limit:.3f} m/s can be planned"
        )
    return ""


def _share(allocation: Allocation, force: NDArray[np.float64]) -> float:
    if not force.any():
        return 0.0
    most = allocation.authority(np.concatenate([force, np.zeros(3)]))
    return 1.0 / most if most > 0.0 else math.inf
