"""What the valves of a vehicle can do in its place: the largest push, and the thrust that a push costs."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.vehicle import Vehicle
from testbed.flight.formation.program import directions
from testbed.flight.formation.zones import covering

Place = Literal["table", "cabin"]

FREE: Final = {"table": np.flatnonzero(axis_mask(TABLE_AXES)), "cabin": np.flatnonzero(axis_mask(CABIN_AXES))}
"""Rows of a wrench that are free in each place."""
SIDES: Final = 16
"""Directions looked at on the table; they cover 98 percent."""


def force_along(vehicle: Vehicle, place: Place, direction: Sequence[float]) -> float:
    """Largest force N without torque in a direction (unit vector, base_link); 0 if there is none."""
    return _solve(_valves(vehicle, place), place, (*direction, 0.0, 0.0, 0.0))[0]


def torque_about(vehicle: Vehicle, place: Place, axis: Sequence[float]) -> float:
    """Largest torque N·m without force about an axis (unit vector, base_link); 0 if there is none."""
    return _solve(_valves(vehicle, place), place, (0.0, 0.0, 0.0, *axis))[0]


def weakest_force(vehicle: Vehicle, place: Place) -> float:
    """A force N without torque that it has in every direction that its place leaves free; 0 if there is none.

    What it has along a few directions it has, to within the share that they cover, in all between: forces are convex.
    """
    around, valves = _around(place), _valves(vehicle, place)
    least = min(_solve(valves, place, (*direction, 0.0, 0.0, 0.0))[0] for direction in around)
    return covering(np.array(around)[:, : 2 if place == "table" else 3]) * least


def weakest_torque(vehicle: Vehicle, place: Place) -> float:
    """Largest torque N·m without force that it has about every axis of base_link that is free, either way."""
    axes = np.eye(3)[2:] if place == "table" else np.eye(3)
    return min(torque_about(vehicle, place, (sign * axis).tolist()) for axis in axes for sign in (1.0, -1.0))


def _around(place: Place) -> list[tuple[float, float, float]]:
    if place == "cabin":
        return [(float(x), float(y), float(z)) for x, y, z in directions(3)]
    angles = 2.0 * np.pi * np.arange(SIDES) / SIDES
    return [(float(x), float(y), 0.0) for x, y in zip(np.cos(angles), np.sin(angles), strict=True)]


def thrust_for_force(vehicle: Vehicle, place: Place, direction: Sequence[float]) -> float:
    """Least sum of valve thrust N for a force of 1 N in that direction; infinite if there is none."""
    return _solve(_valves(vehicle, place), place, (*direction, 0.0, 0.0, 0.0))[1]


def least_thrust_for_force(vehicle: Vehicle, place: Place) -> float:
    """Least sum of valve thrust N for a force of 1 N, in whatever of a few directions it is least."""
    valves = _valves(vehicle, place)
    return min(_solve(valves, place, (*direction, 0.0, 0.0, 0.0))[1] for direction in _around(place))


def thrust_for_torque(vehicle: Vehicle, place: Place, axis: Sequence[float]) -> float:
    """Least sum of valve thrust N for a torque of 1 N·m about that axis; infinite if there is none."""
    return _solve(_valves(vehicle, place), place, (0.0, 0.0, 0.0, *axis))[1]


def _valves(vehicle: Vehicle, place: Place) -> tuple[bytes, bytes]:
    """B, the wrench of each valve in service along the free axes of its place, and their thrusts."""
    usable = [valve.in_service for valve in vehicle.thrusters.valves]
    centre = vehicle.mass_properties(place).centre_of_mass
    matrix = np.ascontiguousarray(vehicle.thrusters.wrench_matrix(centre)[FREE[place]][:, usable])
    thrust = np.array([valve.thrust for valve in vehicle.thrusters.valves])[usable]
    return matrix.tobytes(), thrust.tobytes()


def _solve(valves: tuple[bytes, bytes], place: Place, direction: tuple[float, ...]) -> tuple[float, float]:
    """Largest s with B·u = s·direction, 0 <= u <= 1; and least thrust·u with B·u = direction, 0 <= u."""
    rounded = tuple(round(float(direction[row]), 6) for row in FREE[place])
    return _programs(*valves, rounded)


@lru_cache(maxsize=1024)
def _programs(matrix_bytes: bytes, thrust_bytes: bytes, direction: tuple[float, ...]) -> tuple[float, float]:
    thrust = np.frombuffer(thrust_bytes)
    matrix = np.frombuffer(matrix_bytes).reshape(len(direction), -1)
    wanted: NDArray[np.float64] = np.array(direction)
    if not len(thrust):
        return 0.0, math.inf
    count = len(thrust)
    scaled = np.column_stack([matrix, -wanted])
    largest = linprog(
        [0.0] * count + [-1.0], A_eq=scaled, b_eq=[0.0] * len(direction), bounds=[(0, 1)] * count + [(0, None)]
    )
    strongest = float(largest.x[-1]) if largest.success else 0.0
    if strongest < 1e-9:
        return 0.0, math.inf
    cheapest = linprog(thrust, A_eq=matrix, b_eq=wanted, bounds=[(0, None)] * count)
    return strongest, float(cheapest.fun) if cheapest.success else math.inf
