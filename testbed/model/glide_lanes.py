"""What a tick of gliding needs of a few vehicles at a time: a row for each quantity, a column for each vehicle."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.model.records import LANE_ROWS
from testbed.model.table_surface import surface_slope
from testbed.model.valves import FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE

Lanes = NDArray[np.float64]

X, Y, VX, VY, RATE, Z, W = range(7)
"""Motion, at first at the start and then at the end of the tick: centre of mass, heading as z and w of a quaternion."""
INVERSE_MASS, DRAG, LINEAR, SQUARE, CENTRE_X, CENTRE_Y = range(7, 13)
"""Body: 1/kg, film drag per mass, 1/s, drags on turning per inertia, 1/s and 1/rad, and body_centre, m."""
SLOPE_X, SLOPE_Y = 13, 14
"""Slope of the surface where base_link is in the middle of the tick."""
FORCE_X, FORCE_Y, FORCE_X_SLOPE, FORCE_Y_SLOPE, PUSH_TURNING, SPIN_UP = range(15, 21)
"""Thrust: mean force, N, and its slope, N/s; mean angular acceleration, rad/s², and its slope, rad/s³."""
EARLY, EARLY_COSINE, EARLY_SINE, LATE, LATE_COSINE, LATE_SINE, HALF, HALF_COSINE, HALF_SINE = range(21, 30)
"""Angles turned by the times at which thrust is looked at, and half of what the tick turns, rad."""
BASE_X, BASE_Y, BASE_VX, BASE_VY = range(30, 34)
"""Base_link at the end: position, m, and velocity along body axes, m/s."""
assert BASE_VY < LANE_ROWS


@njit(cache=True, forceinline=True, error_model="numpy")
def load_lane(world: Any, vehicle: Any, state: Any, lanes: Lanes, k: int, duration: float) -> None:
    """Fill column `k` with a vehicle and what acts on it over the next `duration` s."""
    centre, velocity, q = state.centre, state.velocity, state.orientation
    vx, vy = velocity[0], velocity[1]
    lanes[X, k], lanes[Y, k], lanes[VX, k], lanes[VY, k] = centre[0], centre[1], vx, vy
    lanes[RATE, k], lanes[Z, k], lanes[W, k] = state.rate[2], q[2], q[3]
    per_mass, per_inertia = state.body_inverse_mass[0], state.body_inverse_inertia[2, 2]
    lanes[INVERSE_MASS, k], lanes[DRAG, k] = per_mass, vehicle.film_drag * per_mass
    lanes[LINEAR, k] = vehicle.film_drag_rotation * per_inertia
    lanes[SQUARE, k] = vehicle.spin_drag * per_inertia
    lanes[CENTRE_X, k], lanes[CENTRE_Y, k] = state.body_centre[0], state.body_centre[1]
    half = 0.5 * duration
    lanes[SLOPE_X, k], lanes[SLOPE_Y, k] = surface_slope(
        world, state.position[0] + vx * half, state.position[1] + vy * half
    )
    if state.thrusting:
        thrust = state.thrust
        lanes[FORCE_X, k], lanes[FORCE_Y, k] = thrust[FORCE, 0], thrust[FORCE, 1]
        lanes[FORCE_X_SLOPE, k], lanes[FORCE_Y_SLOPE, k] = thrust[FORCE_SLOPE, 0], thrust[FORCE_SLOPE, 1]
        lanes[PUSH_TURNING, k] = thrust[TORQUE, 2] * per_inertia
        lanes[SPIN_UP, k] = thrust[TORQUE_SLOPE, 2] * per_inertia
    else:
        lanes[FORCE_X, k] = lanes[FORCE_Y, k] = lanes[FORCE_X_SLOPE, k] = lanes[FORCE_Y_SLOPE, k] = 0.0
        lanes[PUSH_TURNING, k] = lanes[SPIN_UP, k] = 0.0


@njit(cache=True, forceinline=True, error_model="numpy")
def store_lane(state: Any, lanes: Lanes, k: int) -> None:
    """Take the motion at the end of the tick from column `k`."""
    state.centre[0], state.centre[1] = lanes[X, k], lanes[Y, k]
    state.velocity[0], state.velocity[1], state.rate[2] = lanes[VX, k], lanes[VY, k], lanes[RATE, k]
    state.orientation[2], state.orientation[3] = lanes[Z, k], lanes[W, k]
    state.position[0], state.position[1] = lanes[BASE_X, k], lanes[BASE_Y, k]
    state.linear_velocity[0], state.linear_velocity[1] = lanes[BASE_VX, k], lanes[BASE_VY, k]
