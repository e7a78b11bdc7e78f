"""Touch between vehicles, and between a vehicle and the table's edge.

Discs on the table, spheres in the cabin, around base_link. Normal force after Hunt & Crossley (J. Applied Mechanics
42, 1975) over a linear spring: F = k·depth·(1 + d·approach/impact speed), where d is chosen so that the contact ends
with the wanted coefficient of restitution, exactly, at any speed (see `restitution_damping`). It starts and ends at
zero force and never pulls. Tangential force: Coulomb, at slow sliding smoothed to a viscous `grip` that the step can
follow.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import brentq

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import Tuple3, cross, rotate

CONTACT_STEPS: Final = 20
"""Steps per tick of vehicles that may touch something."""
SLOWEST_IMPACT: Final = 0.005
"""Impacts slower than this are damped as if at this speed, m/s: keeps leaning on something stable."""
LEAST_RESTITUTION: Final = 0.04
"""Below it the equation for the damping is too stiff to solve in double precision."""
NEAR: Final = 0.002
"""Gap beyond what the motion of a tick closes at which contact is looked at, m."""
EDGE: Final = -1
"""Second partner of a contact with the table's edge."""

_TICK = TICK_NS / NS_PER_S
_STAGE = 1

Touch = tuple[float, Tuple3, float, Tuple3, Tuple3, Tuple3]


def restitution_damping(restitution: float) -> float:
    """The d of the force law that ends a contact with this coefficient of restitution e.

    From m·v·dv = -k·x·(1 + d·v/v0)·dx, integrated from v0 to -e·v0: d·(1 + e) = ln((1 + d)/(1 - e·d)).
    """
    if not LEAST_RESTITUTION <= restitution <= 1.0:
        raise ValueError(f"restitution is {restitution!r}, allowed: {LEAST_RESTITUTION} to 1")
    if restitution > 1.0 - 1e-9:
        return 0.0

    def excess(d: float) -> float:
        return d * (1.0 + restitution) - math.log1p(d) + math.log1p(-restitution * d)

    lowest = 1e-3 * (1.0 - restitution)  # d = 0 is a root too, and not the one
    return float(brentq(excess, lowest, (1.0 - 1e-15) / restitution, xtol=1e-15))


@njit(cache=True)
def find_near(world: Any, vehicles: Any, states: Any, near: NDArray[np.bool_]) -> bool:
    """Mark in `near` the vehicles that may touch something within the next tick; return whether there are any."""
    found = False
    near[:] = False
    for a in range(len(vehicles)):
        p, speed = states[a].position, speed_of(states[a])
        if world.on_table:
            for e in range(world.edge_count):
                distance = (p[0] - world.edge_point[e, 0]) * world.edge_normal[e, 0]
                distance += (p[1] - world.edge_point[e, 1]) * world.edge_normal[e, 1]
                if distance - vehicles[a].contact_radius < NEAR + speed * _TICK:
                    near[a] = found = True
        for b in range(a):
            other = states[b].position
            x, y = p[0] - other[0], p[1] - other[1]
            z = 0.0 if world.on_table else p[2] - other[2]
            reach = vehicles[a].contact_radius + vehicles[b].contact_radius
            reach += NEAR + (speed + speed_of(states[b])) * _TICK
            if x * x + y * y + z * z < reach * reach:
                near[a] = near[b] = found = True
    return found


@njit(cache=True)
def speed_of(state: Any) -> float:
    """Speed of base_link, m/s."""
    v = state.linear_velocity
    return math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])


@njit(cache=True)
def note_impact_speeds(
    world: Any, vehicles: Any, states: Any, members: NDArray[np.int64], scratch: NDArray[np.float64]
) -> None:
    """Keep the speed of approach up to first touch, and any higher one after it; `scratch[m, 1]` holds the motions."""
    for index, a in enumerate(members):
        for e in range(world.edge_count):
            depth, _, approach, _, _, _ = touch_edge(world, vehicles[a], scratch[a, _STAGE], e)
            kept = states[a].edge_impact_speed[e] if depth > 0.0 else 0.0
            states[a].edge_impact_speed[e] = max(kept, approach, SLOWEST_IMPACT)
        for b in members[:index]:
            depth, _, approach, _, _, _ = touch_pair(
                world, vehicles[a], scratch[a, _STAGE], vehicles[b], scratch[b, _STAGE]
            )
            kept = states[a].pair_impact_speed[b] if depth > 0.0 else 0.0
            states[a].pair_impact_speed[b] = max(kept, approach, SLOWEST_IMPACT)


@njit(cache=True)
def contact_forces(
    world: Any,
    world_state: Any,
    vehicles: Any,
    states: Any,
    members: NDArray[np.int64],
    scratch: NDArray[np.float64],
    push: NDArray[np.float64],
    stamp: int,
    weight: float,
) -> None:
    """Fill `push` (vehicles, 2, 3): force and torque about the centre of mass, fixed axes, on each of `members`.

    `scratch[m, 1]` holds the motions; `weight` s is what this evaluation counts for in the contact's impulse.
    """
    for m in members:
        push[m] = 0.0
    for index, a in enumerate(members):
        for e in range(world.edge_count):
            depth, normal, approach, slip, arm, _ = touch_edge(world, vehicles[a], scratch[a, _STAGE], e)
            if depth > 0.0:
                damping = world.edge_damping * approach / states[a].edge_impact_speed[e]
                size = max(0.0, world.edge_stiffness * depth * (1.0 + damping))
                force = with_friction(normal, size, slip, vehicles[a].friction, vehicles[a].edge_grip)
                add_push(push[a], force, arm, 1.0)
                log_contact(world_state, a, EDGE, stamp, size, weight)
        for b in members[:index]:
            depth, normal, approach, slip, arm_a, arm_b = touch_pair(
                world, vehicles[a], scratch[a, _STAGE], vehicles[b], scratch[b, _STAGE]
            )
            if depth > 0.0:
                damping = vehicles[a].pair_damping[b] * approach / states[a].pair_impact_speed[b]
                size = max(0.0, vehicles[a].pair_stiffness[b] * depth * (1.0 + damping))
                force = with_friction(normal, size, slip, vehicles[a].pair_friction[b], vehicles[a].pair_grip[b])
                add_push(push[a], force, arm_a, 1.0)
                add_push(push[b], force, arm_b, -1.0)
                log_contact(world_state, b, a, stamp, size, weight)


@njit(cache=True)
def touch_edge(world: Any, vehicle: Any, motion: NDArray[np.float64], edge: int) -> Touch:
    """Depth, normal, approach speed, slip velocity and arm (twice) of a vehicle at an edge; normal points inward."""
    offset = rotate(motion[3:7], vehicle.centre_of_mass)
    nx, ny = world.edge_normal[edge, 0], world.edge_normal[edge, 1]
    x = motion[0] - offset[0] - world.edge_point[edge, 0]
    y = motion[1] - offset[1] - world.edge_point[edge, 1]
    depth = vehicle.contact_radius - (x * nx + y * ny)
    reach = vehicle.contact_radius - 0.5 * depth
    arm = (-offset[0] - nx * reach, -offset[1] - ny * reach, 0.0)
    normal = (nx, ny, 0.0)
    approach, slip = split(velocity_at(motion, arm), normal)
    return depth, normal, approach, slip, arm, arm


@njit(cache=True)
def touch_pair(world: Any, first: Any, motion: NDArray[np.float64], second: Any, other: NDArray[np.float64]) -> Touch:
    """Depth, normal, approach speed, slip velocity and both arms of two vehicles; the normal points to the first."""
    offset, other_offset = rotate(motion[3:7], first.centre_of_mass), rotate(other[3:7], second.centre_of_mass)
    x = motion[0] - offset[0] - other[0] + other_offset[0]
    y = motion[1] - offset[1] - other[1] + other_offset[1]
    z = 0.0 if world.on_table else motion[2] - offset[2] - other[2] + other_offset[2]
    distance = max(math.sqrt(x * x + y * y + z * z), 1e-9)
    normal = (x / distance, y / distance, z / distance)
    depth = first.contact_radius + second.contact_radius - distance
    reach = first.contact_radius - 0.5 * depth
    other_reach = second.contact_radius - 0.5 * depth
    level = 0.0 if world.on_table else 1.0  # discs: the height of the centre of mass above them turns nothing
    arm = (-offset[0] - normal[0] * reach, -offset[1] - normal[1] * reach, level * (-offset[2] - normal[2] * reach))
    other_arm = (
        -other_offset[0] + normal[0] * other_reach,
        -other_offset[1] + normal[1] * other_reach,
        level * (-other_offset[2] + normal[2] * other_reach),
    )
    own, others = velocity_at(motion, arm), velocity_at(other, other_arm)
    relative = (own[0] - others[0], own[1] - others[1], own[2] - others[2])
    approach, slip = split(relative, normal)
    return depth, normal, approach, slip, arm, other_arm


@njit(cache=True)
def velocity_at(motion: NDArray[np.float64], arm: Tuple3) -> Tuple3:
    """Velocity along fixed axes of the body's point at `arm` (fixed axes) from its centre of mass."""
    spin = cross(rotate(motion[3:7], motion[10:13]), arm)
    return motion[7] + spin[0], motion[8] + spin[1], motion[9] + spin[2]


@njit(cache=True)
def split(velocity: Tuple3, normal: Tuple3) -> tuple[float, Tuple3]:
    """Speed of approach against the normal, and the velocity of sliding."""
    away = velocity[0] * normal[0] + velocity[1] * normal[1] + velocity[2] * normal[2]
    slip = (velocity[0] - away * normal[0], velocity[1] - away * normal[1], velocity[2] - away * normal[2])
    return -away, slip


@njit(cache=True)
def with_friction(normal: Tuple3, size: float, slip: Tuple3, friction: float, grip: float) -> Tuple3:
    """Force on the body that slides with `slip`: `size` along the normal, and friction against the sliding.

    grip: force per slow sliding speed, N·s/m; fast sliding meets friction·size.
    """
    most = friction * size
    if most <= 0.0:
        return size * normal[0], size * normal[1], size * normal[2]
    fade = most / grip
    drag = most / math.sqrt(slip[0] * slip[0] + slip[1] * slip[1] + slip[2] * slip[2] + fade * fade)
    return size * normal[0] - drag * slip[0], size * normal[1] - drag * slip[1], size * normal[2] - drag * slip[2]


@njit(cache=True)
def add_push(push: NDArray[np.float64], force: Tuple3, arm: Tuple3, sign: float) -> None:
    """Add a force at `arm` from the centre of mass to a body's push, shape (2, 3)."""
    torque = cross(arm, force)
    for i in range(3):
        push[0, i] += sign * force[i]
        push[1, i] += sign * torque[i]


@njit(cache=True)
def log_contact(world_state: Any, first: int, second: int, stamp: int, force: float, weight: float) -> None:
    """Add to the contact of a pair, or start it; there is a place for every pair and every vehicle's edge."""
    count = world_state.contact_count
    place = count
    for k in range(count):
        if world_state.contact_first[k] == first and world_state.contact_second[k] == second:
            place = k
    if place == count:
        world_state.contact_count = count + 1
        world_state.contact_first[place], world_state.contact_second[place] = first, second
        world_state.contact_stamp[place] = stamp
        world_state.contact_peak_force[place] = world_state.contact_impulse[place] = 0.0
    world_state.contact_peak_force[place] = max(world_state.contact_peak_force[place], force)
    world_state.contact_impulse[place] += weight * force
