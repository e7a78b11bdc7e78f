"""The contacts that last or that nobody has read yet, in one pool for the whole plant.

One entry for each pair of features since the last reading; it is told by its peak force and impulse, and while it
touches it keeps the law that it follows.
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from testbed.description.messages import TICK_NS
from testbed.model.contact import CONTACT_STEPS, EDGE, SLOWEST_IMPACT, grip_for, pair_stiffness, solve_damping
from testbed.model.records import MAX_CONTACTS


@njit(cache=True)
def match_near(world_state: Any) -> None:
    """Let the listed pairs know the contacts that they had before; what touched and is no longer listed has parted."""
    for k in range(world_state.contact_count):
        listed = False
        for near in range(world_state.near_count):
            if (
                world_state.contact_first[k] == world_state.near_first[near]
                and world_state.contact_second[k] == world_state.near_second[near]
                and world_state.contact_first_feature[k] == world_state.near_first_feature[near]
                and world_state.contact_second_feature[k] == world_state.near_second_feature[near]
            ):
                world_state.near_contact[near] = k
                listed = True
                break
        if not listed:
            world_state.contact_touching[k] = 0


@njit(cache=True)
def touch(world: Any, vehicles: Any, world_state: Any, states: Any, near: int, depth: float, stamp: int) -> int:
    """The contact of a listed pair that touches at `stamp` (ns), with its depth set.

    If it has just begun: with the law that it will follow. Parts that have just been released from a latch count as
    touching only as far as they come together again.
    """
    contact = find(world_state, near)
    if not world_state.contact_touching[contact]:
        world_state.contact_touching[contact] = 1
        world_state.contact_impact_speed[contact] = SLOWEST_IMPACT
        world_state.contact_capture[contact] = 0
        a, b = world_state.near_first[near], world_state.near_second[near]
        released = b != EDGE and states[a].released == states[b].released and just(states[a].released, stamp)
        world_state.contact_slack[contact] = depth if released else 0.0
        set_law(world, vehicles, world_state, states, contact)
    world_state.contact_slack[contact] = min(world_state.contact_slack[contact], depth)
    world_state.contact_depth[contact] = depth - world_state.contact_slack[contact]
    return contact


@njit(cache=True)
def just(released: int, stamp: int) -> bool:
    """Whether a release (0: there was none) falls into the step that begins at `stamp` (ns)."""
    return released > 0 and released <= stamp < released + TICK_NS // CONTACT_STEPS


@njit(cache=True)
def part(world_state: Any, near: int) -> None:
    """Let a listed pair not touch."""
    contact = world_state.near_contact[near]
    if contact >= 0:
        world_state.contact_touching[contact] = 0


@njit(cache=True)
def find(world_state: Any, near: int) -> int:
    """Index of the contact of a listed pair, made if there is none."""
    contact = world_state.near_contact[near]
    if contact >= 0:
        return contact
    contact = place_for(
        world_state,
        world_state.near_first[near],
        world_state.near_second[near],
        world_state.near_first_feature[near],
        world_state.near_second_feature[near],
    )
    world_state.near_contact[near] = contact
    return contact


@njit(cache=True)
def place_for(world_state: Any, first: int, second: int, f: int, g: int) -> int:
    """Index of the contact of two features, made if there is none."""
    count = world_state.contact_count
    contact = count
    for k in range(count):
        if (
            world_state.contact_first[k] == first
            and world_state.contact_second[k] == second
            and world_state.contact_first_feature[k] == f
            and world_state.contact_second_feature[k] == g
        ):
            contact = k
            break
    if contact == count:
        contact = free_place(world_state)
        world_state.contact_first[contact], world_state.contact_second[contact] = first, second
        world_state.contact_first_feature[contact], world_state.contact_second_feature[contact] = f, g
        world_state.contact_touching[contact] = 0
        world_state.contact_stamp[contact] = -1
        world_state.contact_peak_force[contact] = world_state.contact_impulse[contact] = 0.0
    return contact


@njit(cache=True)
def free_place(world_state: Any) -> int:
    """A place in the pool. If it is full, an unread contact that is over makes room, and is counted as lost."""
    count = world_state.contact_count
    if count < MAX_CONTACTS:
        world_state.contact_count = count + 1
        return count
    world_state.contacts_lost += 1
    for k in range(count):
        if not world_state.contact_touching[k]:
            for near in range(world_state.near_count):
                if world_state.near_contact[near] == k:
                    world_state.near_contact[near] = -1
            return k
    return count - 1


@njit(cache=True)
def set_law(world: Any, vehicles: Any, world_state: Any, states: Any, contact: int) -> None:
    """Stiffness, damping, friction and grip of a touch that begins."""
    a, b = world_state.contact_first[contact], world_state.contact_second[contact]
    f, g = world_state.contact_first_feature[contact], world_state.contact_second_feature[contact]
    one = vehicles[a]
    mobility = rim_mobility(one, states[a])
    if b == EDGE:
        stiffness, restitution = world.edge_stiffness[g], world.edge_restitution[g]
        friction = one.feature_friction[f]
    else:
        other = vehicles[b]
        stiffness = pair_stiffness(one.feature_stiffness[f], other.feature_stiffness[g])
        restitution = math.sqrt(one.feature_restitution[f] * other.feature_restitution[g])
        friction = math.sqrt(one.feature_friction[f] * other.feature_friction[g])
        mobility += rim_mobility(other, states[b])
    world_state.contact_stiffness[contact] = stiffness
    world_state.contact_damping[contact] = solve_damping(restitution)
    world_state.contact_friction[contact] = friction
    world_state.contact_grip[contact] = grip_for(mobility)


@njit(cache=True)
def rim_mobility(vehicle: Any, state: Any) -> float:
    """Acceleration of a body's outermost point on this vehicle per force on it, 1/kg, at most."""
    c, inverse = state.body_centre, state.body_inverse_inertia
    arm = vehicle.touch_radius + math.sqrt(c[0] * c[0] + c[1] * c[1])
    return state.body_inverse_mass[0] + arm * arm * max(inverse[0, 0], inverse[1, 1], inverse[2, 2])


@njit(cache=True)
def log_force(world_state: Any, contact: int, stamp: int, force: float, duration: float) -> None:
    """Add a normal force N that has acted for `duration` s from `stamp` (ns)."""
    if world_state.contact_stamp[contact] < 0:
        world_state.contact_stamp[contact] = stamp
    world_state.contact_peak_force[contact] = max(world_state.contact_peak_force[contact], force)
    world_state.contact_impulse[contact] += duration * force


@njit(cache=True)
def forget_read(world_state: Any) -> None:
    """After a reading, drop the contacts that are over, and begin those that last anew."""
    kept = 0
    for k in range(world_state.contact_count):
        if world_state.contact_touching[k]:
            world_state.contact_first[kept] = world_state.contact_first[k]
            world_state.contact_second[kept] = world_state.contact_second[k]
            world_state.contact_first_feature[kept] = world_state.contact_first_feature[k]
            world_state.contact_second_feature[kept] = world_state.contact_second_feature[k]
            world_state.contact_touching[kept] = 1
            world_state.contact_capture[kept] = world_state.contact_capture[k]
            world_state.contact_slack[kept] = world_state.contact_slack[k]
            world_state.contact_impact_speed[kept] = world_state.contact_impact_speed[k]
            world_state.contact_stiffness[kept] = world_state.contact_stiffness[k]
            world_state.contact_damping[kept] = world_state.contact_damping[k]
            world_state.contact_friction[kept] = world_state.contact_friction[k]
            world_state.contact_grip[kept] = world_state.contact_grip[k]
            for i in range(3):
                world_state.contact_normal[kept, i] = world_state.contact_normal[k, i]
            world_state.contact_stamp[kept] = -1
            world_state.contact_peak_force[kept] = world_state.contact_impulse[kept] = 0.0
            kept += 1
    world_state.contact_count = kept


@njit(cache=True)
def forget_vehicle(world_state: Any, index: int) -> None:
    """Let a vehicle that has been moved elsewhere touch nothing; what was logged stays."""
    world_state.clearance = 0.0
    for k in range(world_state.contact_count):
        if index in (world_state.contact_first[k], world_state.contact_second[k]):
            world_state.contact_touching[k] = 0
