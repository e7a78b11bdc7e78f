"""What the valves of a vehicle can do on the table: the largest push, and the thrust that a push costs."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from testbed.description.vehicle import Vehicle

PLANAR = [0, 1, 5]
"""Rows of a wrench that are free on the table: force along x and y, torque about z."""


def force_along(vehicle: Vehicle, angle: float) -> float:
    """Largest force N without torque, in the direction `angle` rad from the body's x axis; 0 if there is none."""
    return _solve(vehicle, (math.cos(angle), math.sin(angle), 0.0))[0]


def torque(vehicle: Vehicle, sign: float) -> float:
    """Largest torque N·m about z without force, to the left for sign 1 and to the right for -1; 0 if there is none."""
    return _solve(vehicle, (0.0, 0.0, sign))[0]


def thrust_for_force(vehicle: Vehicle, angle: float) -> float:
    """Least sum of valve thrust N for a force of 1 N in that direction; infinite if there is none."""
    return _solve(vehicle, (math.cos(angle), math.sin(angle), 0.0))[1]


def thrust_for_torque(vehicle: Vehicle, sign: float) -> float:
    """Least sum of valve thrust N for a torque of 1 N·m about z; infinite if there is none."""
    return _solve(vehicle, (0.0, 0.0, sign))[1]


def _solve(vehicle: Vehicle, direction: tuple[float, float, float]) -> tuple[float, float]:
    """Largest s with B·u = s·direction, 0 <= u <= 1; and least thrust·u with B·u = direction, 0 <= u."""
    usable = [valve.in_service for valve in vehicle.thrusters.valves]
    matrix = vehicle.thrusters.wrench_matrix(vehicle.floor.centre_of_mass)[PLANAR][:, usable]
    thrust = np.array([valve.thrust for valve in vehicle.thrusters.valves])[usable]
    rounded = tuple(round(part, 6) for part in direction)
    return _programs(matrix.tobytes(), thrust.tobytes(), rounded)


@lru_cache(maxsize=1024)
def _programs(matrix_bytes: bytes, thrust_bytes: bytes, direction: tuple[float, ...]) -> tuple[float, float]:
    thrust = np.frombuffer(thrust_bytes)
    matrix = np.frombuffer(matrix_bytes).reshape(3, -1)
    wanted: NDArray[np.float64] = np.array(direction)
    if not len(thrust):
        return 0.0, math.inf
    count = len(thrust)
    scaled = np.column_stack([matrix, -wanted])
    largest = linprog([0.0] * count + [-1.0], A_eq=scaled, b_eq=[0.0] * 3, bounds=[(0, 1)] * count + [(0, None)])
    strongest = float(largest.x[-1]) if largest.success else 0.0
    if strongest < 1e-9:
        return 0.0, math.inf
    cheapest = linprog(thrust, A_eq=matrix, b_eq=wanted, bounds=[(0, None)] * count)
    return strongest, float(cheapest.fun) if cheapest.success else math.inf
