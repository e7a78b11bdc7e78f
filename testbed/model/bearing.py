"""The carriage's air: a supply that runs down, and the friction of a carriage that has touched down.

A disc that slides and turns at once rubs with a force and a torque that share one friction: they lie on an ellipsoid
whose axes are those of pure sliding, mu·N, and of pure turning, mu·N·2R/3 for a disc pressed on evenly (limit surface;
Howe and Cutkosky, Int. J. Robotics Research 15, 1996). The impulse of a step never exceeds what stops the motion, so a
carriage comes to rest, and stays there without any creep under whatever is weaker than the friction.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import rotate

STILL: Final = 1e-15
"""A speed below this is what rounding leaves of a stop, m/s."""


@njit(cache=True)
def run_down(world: Any, vehicle: Any, state: Any, duration: float) -> None:
    """Use the air of `duration` s: an even flow while the carriage floats, then as much as the pressure drives out."""
    if not world.on_table:
        return
    if state.carriage_pressure > world.float_pressure:
        state.carriage_pressure -= world.carriage_pressure_fall * duration
    elif state.carriage_pressure > 0.0:
        state.carriage_pressure *= math.exp(-world.carriage_pressure_fall * duration / world.float_pressure)
    state.landed = vehicle.bearing_lost != 0 or state.carriage_pressure < world.float_pressure


@njit(cache=True)
def rub(
    world: Any,
    vehicles: Any,
    states: Any,
    members: NDArray[Any],
    motion: NDArray[Any],
    pose: NDArray[Any],
    duration: float,
) -> None:
    """Let the carriages that have touched down rub for `duration` s; motion and pose as in touching.py."""
    for m in members:
        if not states[m].landed:
            continue
        body, row = states[states[m].root], motion[states[m].root]
        b, c = states[m].body_centre, vehicles[m].centre_of_mass
        arm = rotate(pose[m, 3:7], (c[0] - b[0], c[1] - b[1], c[2] - b[2]))
        rate = row[12] * body.body_inverse_inertia[2, 2]
        vx, vy = row[7] - rate * arm[1], row[8] + rate * arm[0]
        speed = math.hypot(vx, vy)
        turning = vehicles[m].rubbing_radius * abs(rate)
        together = math.hypot(speed, turning)
        if together == 0.0:
            continue
        friction = world.landing_friction * vehicles[m].mass * world.gravity * duration
        if speed > 0.0:
            nx, ny = vx / speed, vy / speed
            lever = arm[0] * ny - arm[1] * nx
            mobility = body.body_inverse_mass[0] + lever * lever * body.body_inverse_inertia[2, 2]
            impulse = min(friction * speed / together, speed / mobility)
            row[7] -= impulse * nx * body.body_inverse_mass[0]
            row[8] -= impulse * ny * body.body_inverse_mass[0]
            row[12] -= impulse * lever
            if abs(row[7]) + abs(row[8]) < STILL:
                row[7] = row[8] = 0.0
        if turning > 0.0:
            most = abs(row[12]) if (row[12] > 0.0) == (rate > 0.0) else 0.0
            row[12] -= math.copysign(min(friction * vehicles[m].rubbing_radius * turning / together, most), rate)
