"""Broad phase: which features of which vehicles may touch each other, an edge or a wall within the next tick.

Few vehicles are compared pair by pair; more are kept sorted along x, so that only neighbours on it are compared (sort
and sweep: Cohen et al., I-COLLIDE, Symposium on Interactive 3D Graphics 1995). Everything is judged by spheres (on the
table: discs) that enclose it, widened by what the motion of a tick closes.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import Tuple3, rotate
from testbed.model.contact import EDGE
from testbed.model.records import MAX_NEAR

NEAR: Final = 0.002
"""Gap beyond what the motion of a tick closes at which contact is looked at, m."""
FEW: Final = 8
"""Up to so many vehicles all pairs are compared."""

TRUSTED: Final = 0.95
"""Share of a gap that is relied on: speeds change within a tick, and each tick's way is reckoned from its first one."""

_TICK: Final = TICK_NS / NS_PER_S


@njit(cache=True, forceinline=True)
def find_near(world: Any, vehicles: Any, world_state: Any, states: Any, near: NDArray[np.bool_]) -> bool:
    """Mark in `near` the vehicles whose bodies may touch something within the next tick; return whether there are any.

    Those held by a latch count, too, and those whose friction is taken in the same small steps. The pairs of features
    that may touch are listed in `world_state`. Few vehicles that are far apart are compared only after they have
    travelled far enough; until then nothing is marked or listed.
    """
    return not stay_clear(world_state, states) and compare(world, vehicles, world_state, states, near)


@njit(cache=True, forceinline=True)
def stay_clear(world_state: Any, states: Any) -> bool:
    """Whether all vehicles were so far apart, when they were last compared, that in this tick nothing can touch."""
    farthest = 0.0
    for a in range(len(states)):
        farthest = max(farthest, travel(states[a]))
    world_state.clearance -= 2.0 * farthest
    return world_state.clearance > 0.0 and not any_held(world_state, states)


@njit(cache=True)
def compare(world: Any, vehicles: Any, world_state: Any, states: Any, near: NDArray[np.bool_]) -> bool:
    """As `find_near`, whatever was known before."""
    world_state.near_count = 0
    world_state.clearance = 0.0
    for a in range(len(vehicles)):
        world_state.sweep_reach[a] = vehicles[a].touch_radius + 0.5 * NEAR + travel(states[a])
        near[a] = False
    if len(vehicles) <= FEW and not any_held(world_state, states):
        gap = least_gap(world, world_state, states)
        if gap > 0.0:
            world_state.clearance = TRUSTED * gap
            return False
    return list_near(world, vehicles, world_state, states, near)


@njit(cache=True, forceinline=True)
def travel(state: Any) -> float:
    """How far base_link moves within a tick, m, or a little more."""
    v = state.linear_velocity
    return _TICK * (abs(v[0]) + abs(v[1]) + abs(v[2]))  # at least the speed


@njit(cache=True, forceinline=True)
def any_held(world_state: Any, states: Any) -> bool:
    """Whether a latch holds any vehicle, or any has touched down."""
    landed = 0
    for a in range(len(states)):
        landed |= states[a].landed
    return landed != 0 or world_state.latch_count > 0


@njit(cache=True)
def least_gap(world: Any, world_state: Any, states: Any) -> float:
    """Smallest distance, m, between the spheres around any two vehicles, or to where the box without edges ends.

    Not above zero where two, or one and an edge, may touch within the tick.
    """
    level = 0.0 if world.on_table else 1.0
    reach = world_state.sweep_reach
    gap = np.inf
    for a in range(len(states)):
        p = states[a].position
        for k in range(3):
            gap = min(gap, p[k] - reach[a] - world.clear_low[k], world.clear_high[k] - p[k] - reach[a])
        for b in range(a):
            gap = min(gap, math.sqrt(square_distance(states, a, b, level)) - reach[a] - reach[b])
    return gap


@njit(cache=True)
def list_near(world: Any, vehicles: Any, world_state: Any, states: Any, near: NDArray[np.bool_]) -> bool:
    """List the pairs of features that may touch, and mark the bodies that they belong to."""
    count = len(vehicles)
    busy = mark_held(world_state, states, near)
    for a in range(count):
        if leaves_box(world, states[a].position, world_state.sweep_reach[a]):
            add_edges(world, vehicles[a], world_state, states[a], a, near)
    sweep(world, vehicles, world_state, states, near)
    if world_state.near_count == 0 and not busy:
        return False
    for a in range(count):
        near[states[a].root] |= near[a]
    for a in range(count):
        near[a] = near[states[a].root]
    return True


@njit(cache=True)
def mark_held(world_state: Any, states: Any, near: NDArray[np.bool_]) -> bool:
    """Mark those alone that latches hold or that have touched down; return whether there are any."""
    busy = False
    for a in range(len(states)):
        near[a] = states[a].landed != 0
        busy |= near[a]
    for latch in range(world_state.latch_count):
        if world_state.latch_phase[latch] != 0:
            near[world_state.latch_first[latch]] = near[world_state.latch_second[latch]] = busy = True
    return busy


@njit(cache=True)
def sweep(world: Any, vehicles: Any, world_state: Any, states: Any, near: NDArray[np.bool_]) -> None:
    """Compare the vehicles whose extents along x overlap. From tick to tick they change places little."""
    count = len(vehicles)
    level = 0.0 if world.on_table else 1.0
    order, reach = world_state.sweep_order, world_state.sweep_reach
    if world_state.sweep_count != count:
        world_state.sweep_count = count
        for k in range(count):
            order[k] = k
    for k in range(1, count):
        one = order[k]
        left = states[one].position[0] - reach[one]
        place = k
        while place > 0 and states[order[place - 1]].position[0] - reach[order[place - 1]] > left:
            order[place] = order[place - 1]
            place -= 1
        order[place] = one
    for k in range(count):
        a = order[k]
        right = states[a].position[0] + reach[a]
        for other in range(k + 1, count):
            b = order[other]
            if states[b].position[0] - reach[b] > right:
                break
            if square_distance(states, a, b, level) < (reach[a] + reach[b]) ** 2:
                add_pair(world, vehicles, world_state, states, min(a, b), max(a, b), near)


@njit(cache=True, forceinline=True)
def square_distance(states: Any, first: int, second: int, level: float) -> float:
    """Square of the distance between two vehicles, m²; `level` 0 leaves heights out, 1 counts them."""
    p, q = states[first].position, states[second].position
    x, y, z = p[0] - q[0], p[1] - q[1], level * (p[2] - q[2])
    return x * x + y * y + z * z


@njit(cache=True)
def add_pair(
    world: Any, vehicles: Any, world_state: Any, states: Any, first: int, second: int, near: NDArray[np.bool_]
) -> None:
    """List the pairs of features of two vehicles that may touch; members of one body never do."""
    if states[first].root == states[second].root:
        return
    one, other = vehicles[first], vehicles[second]
    slack = motion_of_tick(world_state, one, states[first], first)
    slack += motion_of_tick(world_state, other, states[second], second)
    for f in range(one.feature_count):
        c = feature_centre(one, states[first], f)
        for g in range(other.feature_count):
            d = feature_centre(other, states[second], g)
            reach = one.feature_extent[f] + other.feature_extent[g] + slack
            x, y = c[0] - d[0], c[1] - d[1]
            z = 0.0 if world.on_table else c[2] - d[2]
            if x * x + y * y + z * z < reach * reach:
                near[first] = near[second] = True
                append(world_state, first, second, f, g)


@njit(cache=True)
def add_edges(world: Any, vehicle: Any, world_state: Any, state: Any, index: int, near: NDArray[np.bool_]) -> None:
    """List the edges or walls that features of a vehicle may touch."""
    slack = motion_of_tick(world_state, vehicle, state, index)
    for e in range(world.edge_count):
        point, normal = world.edge_point[e], world.edge_normal[e]
        for f in range(vehicle.feature_count):
            c = feature_centre(vehicle, state, f)
            distance = (c[0] - point[0]) * normal[0] + (c[1] - point[1]) * normal[1] + (c[2] - point[2]) * normal[2]
            if distance < vehicle.feature_extent[f] + slack:
                near[index] = True
                append(world_state, index, EDGE, f, e)


@njit(cache=True)
def append(world_state: Any, first: int, second: int, first_feature: int, second_feature: int) -> None:
    """Add to the list; what has no room in it is counted as lost."""
    place = world_state.near_count
    if place == MAX_NEAR:
        world_state.contacts_lost += 1
        return
    world_state.near_first[place], world_state.near_second[place] = first, second
    world_state.near_first_feature[place], world_state.near_second_feature[place] = first_feature, second_feature
    world_state.near_contact[place] = -1
    world_state.near_count = place + 1


@njit(cache=True, forceinline=True)
def leaves_box(world: Any, position: NDArray[np.float64], reach: float) -> bool:
    """Whether a sphere sticks out of the box in which nothing is near an edge."""
    low, high = world.clear_low, world.clear_high
    return (
        position[0] - reach < low[0]
        or position[0] + reach > high[0]
        or position[1] - reach < low[1]
        or position[1] + reach > high[1]
        or position[2] - reach < low[2]
        or position[2] + reach > high[2]
    )


@njit(cache=True)
def feature_centre(vehicle: Any, state: Any, feature: int) -> Tuple3:
    """Centre of the sphere around a feature, fixed axes."""
    p = state.position
    arm = rotate(state.orientation, vehicle.feature_centre[feature])
    return p[0] + arm[0], p[1] + arm[1], p[2] + arm[2]


@njit(cache=True)
def motion_of_tick(world_state: Any, vehicle: Any, state: Any, index: int) -> float:
    """How far any point of a vehicle's features may move within a tick, and half of NEAR, m."""
    w = state.rate
    turning = math.sqrt(w[0] * w[0] + w[1] * w[1] + w[2] * w[2]) * vehicle.touch_radius
    return world_state.sweep_reach[index] - vehicle.touch_radius + turning * _TICK
