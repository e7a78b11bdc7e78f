"""Where a vehicle will end up after *stop* (valves close, it coasts) and after *hold* (it brakes under control)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import expm

from testbed.description import rotation
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.cabin import Cabin, Orbit
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.flight.guidance import authority, memory

HORIZON: Final = 120.0
"""How far ahead a coast is followed, s."""
INTERVAL: Final = 0.5
"""Time between the points of a coast's track, s."""


@dataclass(frozen=True)
class Coast:
    """A coast with closed valves: centres from now to the touch or the horizon, shape (n, 3) m, fixed frame."""

    track: NDArray[np.float64]
    time_to_edge: float
    """When the vehicle's rim first touches an edge or a wall, s; infinite where it does not within the horizon."""


@dataclass(frozen=True)
class Halt:
    """A brake under control: how long it takes s, how far it goes m, and where it ends, shape (3,) m, fixed frame."""

    time: float
    distance: float
    position: NDArray[np.float64]


class Prediction:
    """Predicts both ends of motion for one vehicle on its table or in its cabin, from an estimate or the truth."""

    def __init__(self, vehicle: Vehicle, surroundings: Table | Cabin) -> None:
        place: Literal["table", "cabin"] = "table" if isinstance(surroundings, Table) else "cabin"
        self._surroundings = surroundings
        self._radius = vehicle.contact_radius(place)
        self._parameters = memory.parameters_of(vehicle, place, TABLE_AXES if place == "table" else CABIN_AXES)
        self._state = np.zeros(1, memory.STATE)

    def stop(self, odometry: NDArray[np.void]) -> Coast:
        """What happens when the valves close now; `odometry` is one messages.ODOMETRY.

        On the table the believed tilt pulls and the air film drags: v' = a - v / tau, in closed form. In the cabin the
        orbit's frame turns: at 0.1 m/s that moves a coast by 5 cm in 20 s; drag takes a hundredth of the speed in that
        time and is left out.
        """
        position, velocity, _ = self._motion(odometry)
        times = np.arange(0.0, HORIZON + INTERVAL, INTERVAL)
        points = self._coasted(position, velocity, times)
        clear = np.array([self._clearance(point) for point in points])
        touching = np.flatnonzero(clear <= 0.0)
        if len(touching) == 0:
            return Coast(points, math.inf)
        first = int(touching[0])
        before, touch = (times[first - 1], times[first]) if first > 0 else (0.0, 0.0)
        while touch - before > 1e-3:
            middle = 0.5 * (before + touch)
            if self._clearance(self._coasted(position, velocity, np.array([middle]))[0]) > 0.0:
                before = middle
            else:
                touch = middle
        return Coast(self._coasted(position, velocity, np.append(times[:first], touch)), float(touch))

    def hold(self, odometry: NDArray[np.void]) -> Halt:
        """What happens when guidance is told to hold now; `odometry` is one messages.ODOMETRY."""
        position, velocity, orientation = self._motion(odometry)
        time, distance = authority.stopping(self._parameters[0], self._state[0], orientation, velocity)
        speed = float(np.linalg.norm(velocity))
        return Halt(time, distance, position + velocity * (distance / speed if speed > 0.0 else 0.0))

    def _motion(
        self, odometry: NDArray[np.void]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Position, velocity in the fixed frame (zero along held axes) and orientation."""
        one = odometry[0]
        velocity = np.array(rotation.rotate(one["orientation"], one["linear_velocity"]))
        return one["position"].copy(), velocity * self._parameters[0]["active"][:3], one["orientation"].copy()

    def _coasted(
        self, position: NDArray[np.float64], velocity: NDArray[np.float64], times: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Positions after coasting for these times s, shape (times, 3)."""
        if isinstance(self._surroundings, Cabin):
            now = np.concatenate([position, velocity, [1.0]])
            matrix = _drift(self._surroundings.orbit)
            return np.array([(expm(matrix * time) @ now)[:3] for time in times])
        tau = self._surroundings.film_drag_time
        tilt = np.array([*self._surroundings.tilt_mrad, 0.0]) * 1e-3
        final = -self._surroundings.gravity * tilt * tau
        gone = np.expm1(-times / tau)[:, None]
        return np.asarray(position + final * times[:, None] - (velocity - final) * tau * gone)

    def _clearance(self, position: NDArray[np.float64]) -> float:
        """Distance from the vehicle's rim to the nearest edge or wall, m; negative beyond it."""
        if isinstance(self._surroundings, Cabin):
            return float(np.min(0.5 * np.array(self._surroundings.size) - np.abs(position))) - self._radius
        return self._surroundings.distance_to_edge((float(position[0]), float(position[1]))) - self._radius


def _drift(orbit: Orbit) -> NDArray[np.float64]:
    """Matrix A of free motion in an orbit's frame, x' = A·x with x = (position, velocity, 1), shape (7, 7)."""
    matrix = np.zeros((7, 7))
    matrix[:3, 3:6] = np.eye(3)
    matrix[3:6, :3] = orbit.tidal
    matrix[3:6, 3:6] = -2.0 * np.cross(orbit.frame_rate, np.eye(3)).T
    matrix[3:6, 6] = orbit.steady_acceleration
    return matrix
