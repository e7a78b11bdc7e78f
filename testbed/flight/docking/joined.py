"""The vehicle that two make once their ports hold each other: its mass, its inertia, and where its centre of mass is.

Seen from one of them, with that one's own valves; so its guidance, allocation, guard and estimator are built from it
like from any vehicle. Parallel axes (Steiner's theorem).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.description.port import Port
from testbed.description.vehicle import MassProperties, Vehicle
from testbed.flight.docking import ports

Pose = tuple[NDArray[np.float64], NDArray[np.float64]]


def docked_pose(
    port: Port, partner_port: Port, place: Literal["table", "cabin"], roll_from: NDArray[np.float64]
) -> Pose:
    """Position m and orientation of the partner's base_link along one's own, when the ports lie together.

    roll_from: the partner's orientation along one's own axes before, which tells how they are rolled about their axis.
    """
    own = np.array(port.direction) / np.linalg.norm(port.direction)
    its = np.array(partner_port.direction) / np.linalg.norm(partner_port.direction)
    orientation = np.array(ports.facing(roll_from, its, own))
    return np.array(port.place(place)) - np.array(rotation.rotate(orientation, partner_port.place(place))), orientation


def joined_vehicle(vehicle: Vehicle, partner: Vehicle, pose: Pose, place: Literal["table", "cabin"]) -> Vehicle:
    """The pair as a vehicle with the base_link and the valves of `vehicle`; pose: of the partner's base_link there."""
    one, other = vehicle.mass_properties(place), partner.mass_properties(place)
    position, orientation = pose
    turn = np.empty((3, 3))
    rotation.to_matrix(orientation, turn)
    centres = np.array(one.centre_of_mass), position + turn @ np.array(other.centre_of_mass)
    mass = one.mass + other.mass
    centre = (one.mass * centres[0] + other.mass * centres[1]) / mass
    inertia = _about(one.inertia_tensor(), one.mass, centres[0] - centre) + _about(
        turn @ other.inertia_tensor() @ turn.T, other.mass, centres[1] - centre
    )
    both = MassProperties(
        mass=mass,
        inertia=(inertia[0, 0], inertia[1, 1], inertia[2, 2]),
        products=(inertia[0, 1], inertia[0, 2], inertia[1, 2]),
        centre_of_mass=(centre[0], centre[1], centre[2]),
    )
    return vehicle.model_copy(update={"floor" if place == "table" else "flight": both})


def _about(inertia: NDArray[np.float64], mass: float, arm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inertia about a point `arm` away from the centre of mass."""
    return np.asarray(inertia + mass * (arm @ arm * np.eye(3) - np.outer(arm, arm)))
