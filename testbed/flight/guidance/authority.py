"""What accelerations the valves can give along a direction, and what a brake would take."""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from testbed.description import rotation
from testbed.description.rotation import Quaternion, Tuple3, Vector3
from testbed.flight.allocation import allocation
from testbed.flight.guidance.leg import LEAST_ACCELERATION


@njit(cache=True)
def acceleration_along(p: Any, s: Any, axis: Tuple3, sense: float) -> float:
    """Largest acceleration m/s² along the unit vector `axis` (base_link) times `sense`, without torque."""
    for k in range(3):
        s.allocation.wrench[k] = sense * p.mass * axis[k]
        s.allocation.wrench[3 + k] = 0.0
    return allocation.authority(p.allocation, s.allocation)


@njit(cache=True)
def acceleration_about(p: Any, s: Any, axis: Vector3, sense: float) -> float:
    """Largest angular acceleration rad/s² about the unit vector `axis` (base_link) times `sense`, without force."""
    for k in range(3):
        s.allocation.wrench[k] = 0.0
        s.allocation.wrench[3 + k] = sense * (
            p.inertia[k, 0] * axis[0] + p.inertia[k, 1] * axis[1] + p.inertia[k, 2] * axis[2]
        )
    return allocation.authority(p.allocation, s.allocation)


@njit(cache=True)
def flow_per_acceleration(p: Any, s: Any, acceleration: float, share: float) -> float:
    """Gas kg/s per m/s² or rad/s² of `share` of what `acceleration_along` or `_about` has just given.

    The larger the share, the less frugal are the valves that it takes.
    """
    if acceleration <= 0.0:
        return 0.0
    given = share * acceleration
    for k in range(6):
        s.allocation.wrench[k] *= given
    return allocated_flow(p, s) / given


@njit(cache=True)
def flow_for(p: Any, s: Any, wrench: Any) -> float:
    """Gas kg/s that `wrench`, one messages.WRENCH, takes."""
    for k in range(3):
        s.allocation.wrench[k], s.allocation.wrench[3 + k] = wrench.force[k], wrench.torque[k]
    return allocated_flow(p, s)


@njit(cache=True)
def allocated_flow(p: Any, s: Any) -> float:
    """Gas kg/s of the duties that the wrench in the allocation's state gets."""
    allocation.allocate(p.allocation, s.allocation)
    flow = 0.0
    for j in range(p.allocation.valves):
        flow += s.allocation.duty[j] * p.allocation.flow[j]
    return flow


@njit(cache=True)
def stopping(p: Any, s: Any, orientation: Quaternion, velocity: Vector3) -> tuple[float, float]:
    """Time s and distance m to stop under control from `velocity` (fixed frame, m/s).

    A brake with the planned share of the authority, after the wait for the pulses: the lead and half a period.
    """
    x, y, z = velocity[0] * p.active[0], velocity[1] * p.active[1], velocity[2] * p.active[2]
    speed = math.sqrt(x * x + y * y + z * z)
    if speed == 0.0:
        return 0.0, 0.0
    axis = rotation.rotate_inverse(orientation, (x / speed, y / speed, z / speed))
    deceleration = max(p.share * acceleration_along(p, s, axis, -1.0), LEAST_ACCELERATION)
    wait = p.lead + 0.5 * p.period
    return wait + speed / deceleration, speed * wait + 0.5 * speed * speed / deceleration
