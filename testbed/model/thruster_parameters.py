"""Parameters of the valves and nozzles from a vehicle's description, with this session's draws."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from testbed.description.vehicle import Vehicle
from testbed.model.contact_parameters import Place
from testbed.model.plume import caught


def set_valves(
    one: np.void, vehicle: Vehicle, place: Place, spread: NDArray[np.float64], lean: NDArray[np.float64]
) -> None:
    """Fill the valve fields of a records.VEHICLE.

    spread: error of each valve's thrust, fraction, shape (MAX_VALVES,); lean: standard normals for the angles by which
    each nozzle leans about two axes across it, shape (MAX_VALVES, 2).
    """
    thrusters = vehicle.thrusters
    count = len(thrusters.valves)
    gain = np.maximum(0.0, 1.0 + spread[:count])
    thrust = gain * [valve.thrust for valve in thrusters.valves]
    jets = lean_by(unit([valve.exhaust for valve in thrusters.valves]), math.radians(thrusters.misalignment_deg) * lean)
    nozzles = np.array([valve.position for valve in thrusters.valves])
    one["plume_slope"] = math.tan(math.radians(thrusters.plume.half_angle_deg))
    one["plume_reach"] = thrusters.plume.reach
    left = 1.0 - (lost_on_carriage(one, vehicle, nozzles, jets) if place == "table" else np.zeros(count))
    force = -(thrust * left)[:, None] * jets
    one["valve_count"] = count
    one["valve_thrust"][:count] = thrust
    one["valve_force"][:count] = force
    one["valve_torque"][:count] = np.cross(nozzles - vehicle.mass_properties(place).centre_of_mass, force)
    one["nozzle_position"][:count], one["jet_direction"][:count] = nozzles, jets
    one["nozzle_radius"] = np.linalg.norm(nozzles, axis=1).max()
    one["opening_delay"], one["closing_delay"] = thrusters.opening_delay, thrusters.closing_delay
    one["delay_jitter"] = thrusters.delay_jitter
    one["rise_time"], one["fall_time"] = thrusters.rise_time, thrusters.fall_time


def lost_on_carriage(
    one: np.void, vehicle: Vehicle, nozzles: NDArray[np.float64], jets: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Share of each thrust that is lost on the carriage, a disc around the z axis floor_height below base_link."""
    lost = np.zeros(len(jets))
    for k, (nozzle, jet) in enumerate(zip(nozzles, jets, strict=True)):
        if jet[2] < 0.0:
            along = (-vehicle.shape.floor_height - nozzle[2]) / jet[2]
            offset = float(np.linalg.norm((nozzle + along * jet)[:2]))
            lost[k] = caught(one["plume_slope"], one["plume_reach"], along, offset, vehicle.shape.carriage_radius)
    return lost


def lean_by(directions: NDArray[np.float64], angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Unit vectors, shape (n, 3), turned by small angles (rad, the first n rows of two) about two axes across each."""
    leaning = np.empty_like(directions)
    for k, direction in enumerate(directions):
        across = np.cross(direction, np.eye(3)[np.argmin(np.abs(direction))])
        across /= np.linalg.norm(across)
        leaning[k] = direction + angles[k, 0] * across + angles[k, 1] * np.cross(direction, across)
    return unit(leaning)


def unit(vectors: object) -> NDArray[np.float64]:
    """Rows of unit length, shape (n, 3)."""
    rows = np.asarray(vectors, dtype=np.float64)
    return np.asarray(rows / np.linalg.norm(rows, axis=1)[:, None])
