"""Which of the listed pairs touch, how deeply and where, and what they do to each other.

What two bodies do to each other acts at one point on both, in the middle of what overlaps, in opposite directions.
Motions, poses, spins and pushes are those of touching.py.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import Tuple3, cross
from testbed.model.contact import EDGE, normal_force, split, with_friction
from testbed.model.contact_pool import log_force, part, touch
from testbed.model.hull import along_normal, corner, corner_count, nearest


@njit(cache=True)
def find_contacts(
    world: Any,
    vehicles: Any,
    world_state: Any,
    states: Any,
    pose: NDArray[np.float64],
    simplex: NDArray[np.float64],
    stamp: int,
) -> None:
    """Of the listed pairs, find which touch at `stamp` (ns), how deeply, and where."""
    for near in range(world_state.near_count):
        a, b = world_state.near_first[near], world_state.near_second[near]
        f, g = world_state.near_first_feature[near], world_state.near_second_feature[near]
        radius = vehicles[a].feature_radius[f]
        if b == EDGE:
            n = world.edge_normal[g]
            normal = (n[0], n[1], n[2])
            distance, on_first = lowest_corner(vehicles[a], f, pose[a], world.edge_point[g], normal)
            depth = radius - distance
            reach = radius - 0.5 * depth
            point = (on_first[0] - reach * normal[0], on_first[1] - reach * normal[1], on_first[2] - reach * normal[2])
        else:
            other_radius = vehicles[b].feature_radius[g]
            normal, distance, on_second = between(
                vehicles[a], f, pose[a], vehicles[b], g, pose[b], world_state, near, simplex
            )
            depth = radius + other_radius - distance
            reach = other_radius - 0.5 * depth
            point = (
                on_second[0] + reach * normal[0],
                on_second[1] + reach * normal[1],
                on_second[2] + reach * normal[2],
            )
        if depth > 0.0:
            contact = touch(world, vehicles, world_state, states, near, depth, stamp)
            for i in range(3):
                world_state.contact_normal[contact, i] = normal[i]
                world_state.contact_point[contact, i] = point[i]
        else:
            part(world_state, near)


@njit(cache=True)
def between(
    one: Any,
    f: int,
    pose: NDArray[np.float64],
    other: Any,
    g: int,
    other_pose: NDArray[np.float64],
    world_state: Any,
    near: int,
    simplex: NDArray[np.float64],
) -> tuple[Tuple3, float, Tuple3]:
    """Normal to the first, distance of the cores of two features, and the point of the second's core.

    Where the cores meet, as only a blow far beyond the speed limit makes them, the last normal goes on.
    """
    distance, first, second = nearest(one, f, pose, other, g, other_pose, simplex)
    if distance > 0.0:
        scale = 1.0 / distance
        normal = (scale * (first[0] - second[0]), scale * (first[1] - second[1]), scale * (first[2] - second[2]))
        return normal, distance, second
    contact = world_state.near_contact[near]
    if contact >= 0 and world_state.contact_touching[contact]:
        n = world_state.contact_normal[contact]
        normal = (n[0], n[1], n[2])
    else:
        normal = apart(pose, other_pose)
    distance, first, second = along_normal(one, f, pose, other, g, other_pose, normal)
    return normal, distance, second


@njit(cache=True)
def apart(pose: NDArray[np.float64], other_pose: NDArray[np.float64]) -> Tuple3:
    """Unit vector from one base_link to another; along x if they are in one place."""
    x, y, z = pose[0] - other_pose[0], pose[1] - other_pose[1], pose[2] - other_pose[2]
    length = (x * x + y * y + z * z) ** 0.5
    if length == 0.0:
        return 1.0, 0.0, 0.0
    return x / length, y / length, z / length


@njit(cache=True)
def lowest_corner(
    vehicle: Any, feature: int, pose: NDArray[np.float64], point: NDArray[np.float64], normal: Tuple3
) -> tuple[float, Tuple3]:
    """Distance from a plane of the core's nearest corner, and that corner."""
    least, best = np.inf, (0.0, 0.0, 0.0)
    for k in range(corner_count(vehicle, feature)):
        c = corner(vehicle, feature, k, pose)
        distance = (c[0] - point[0]) * normal[0] + (c[1] - point[1]) * normal[1] + (c[2] - point[2]) * normal[2]
        if distance < least:
            least, best = distance, c
    return least, best


@njit(cache=True)
def add_contacts(
    world_state: Any,
    states: Any,
    motion: NDArray[np.float64],
    spin: NDArray[np.float64],
    push: NDArray[np.float64],
    stamp: int,
    duration: float,
) -> None:
    """Add the forces of all contacts to `push`; log them if they act for a `duration` s from `stamp` (ns).

    Without a duration velocities are those before the kick: by them the speed of impact is known.
    """
    for near in range(world_state.near_count):
        contact = world_state.near_contact[near]
        if contact < 0 or not world_state.contact_touching[contact]:
            continue
        n, p = world_state.contact_normal[contact], world_state.contact_point[contact]
        normal, point = (n[0], n[1], n[2]), (p[0], p[1], p[2])
        first = states[world_state.near_first[near]].root
        arm, v = moving_point(motion[first], spin[first], point)
        second = world_state.near_second[near]
        other_arm = arm
        if second != EDGE:
            second = states[second].root
            other_arm, u = moving_point(motion[second], spin[second], point)
            v = (v[0] - u[0], v[1] - u[1], v[2] - u[2])
        approach, slip = split(v, normal)
        if duration == 0.0:
            impact = max(world_state.contact_impact_speed[contact], approach)
            world_state.contact_impact_speed[contact] = impact
        size = normal_force(
            world_state.contact_stiffness[contact],
            world_state.contact_damping[contact],
            world_state.contact_depth[contact],
            approach,
            world_state.contact_impact_speed[contact],
        )
        force = with_friction(
            normal, size, slip, world_state.contact_friction[contact], world_state.contact_grip[contact]
        )
        add(push[first], force, cross(arm, force))
        if second != EDGE:
            back = (-force[0], -force[1], -force[2])
            add(push[second], back, cross(other_arm, back))
        if duration > 0.0:
            log_force(world_state, contact, stamp, size, duration)


@njit(cache=True)
def moving_point(motion: NDArray[np.float64], spin: NDArray[np.float64], point: Tuple3) -> tuple[Tuple3, Tuple3]:
    """Arm of a point from a body's centre of mass, and its velocity as a point of that body, fixed axes."""
    arm = (point[0] - motion[0], point[1] - motion[1], point[2] - motion[2])
    turning = cross(spin, arm)
    return arm, (motion[7] + turning[0], motion[8] + turning[1], motion[9] + turning[2])


@njit(cache=True)
def add(push: NDArray[np.float64], force: Tuple3, torque: Tuple3) -> None:
    """Add a force and a torque to a body's push, shape (2, 3)."""
    for i in range(3):
        push[0, i] += force[i]
        push[1, i] += torque[i]
