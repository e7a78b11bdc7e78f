"""Two ports that meet: whether they capture, and the spring and damper that then pull them together.

Both tips touch as any two features do (touching.py). At first touch the capture is judged: both engaged, both free, and
everything within what the stricter of the two admits. From then on, until the latch is rigid (latches.py), a linear
spring with damper pulls the fronts of both tips to one point, and another turns the ports to face each other; how they
are rolled about their axis stays as it was at first touch. The pull acts at the middle between both fronts and both
torques are opposite, so that momentum is conserved; the damping is a ratio to the critical one of both masses, and of
both moments of inertia about z.
"""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import (
    Quaternion,
    Tuple3,
    Tuple4,
    conjugate,
    cross,
    multiply,
    normalise,
    rotate,
    to_rotation_vector,
)
from testbed.model.contact import EDGE, split
from testbed.model.contact_pool import log_force, place_for
from testbed.model.records import MAX_LATCHES

PULL: Final = 100
"""Added to both features in the contact of a latch's pull, which is logged beside that of the tips."""


class Capture(IntEnum):
    """What became of a touch: not one of two ports, or captured, or the first reason why not."""

    NONE = 0
    CAPTURED = 1
    NOT_ENGAGED = 2
    OCCUPIED = 3
    LATERAL = 4
    ANGLE = 5
    TOO_SLOW = 6
    TOO_FAST = 7
    SLIP = 8
    RATE = 9


class Phase(IntEnum):
    """What a latch does."""

    OPEN = 0
    CAPTURING = 1
    JOINED = 2


_NONE, _CAPTURED, _NOT_ENGAGED, _OCCUPIED = (int(one) for one in list(Capture)[:4])
_LATERAL, _ANGLE, _TOO_SLOW, _TOO_FAST, _SLIP, _RATE = (int(one) for one in list(Capture)[4:])
_OPEN, _CAPTURING, _JOINED = (int(phase) for phase in Phase)


@njit(cache=True)
def judge_touches(
    vehicles: Any,
    world_state: Any,
    states: Any,
    pose: NDArray[np.float64],
    motion: NDArray[np.float64],
    spin: NDArray[np.float64],
    stamp: int,
) -> None:
    """Judge the touches of two ports that have just begun, and let those capture that may."""
    for near in range(world_state.near_count):
        f, g = world_state.near_first_feature[near], world_state.near_second_feature[near]
        contact = world_state.near_contact[near]
        if f == 0 or g == 0 or world_state.near_second[near] == EDGE or contact < 0:
            continue
        if not world_state.contact_touching[contact] or world_state.contact_capture[contact] != _NONE:
            continue
        a, b = world_state.near_first[near], world_state.near_second[near]
        verdict = judge(
            vehicles[a], states[a], f - 1, pose[a], motion[states[a].root], spin[states[a].root],
            vehicles[b], states[b], g - 1, pose[b], motion[states[b].root], spin[states[b].root],
        )  # fmt: skip
        if verdict == _CAPTURED and not begin_capture(vehicles, world_state, states, a, f - 1, b, g - 1, stamp):
            verdict = _OCCUPIED
        world_state.contact_capture[contact] = verdict


@njit(cache=True)
def judge(
    one: Any,
    state: Any,
    port: int,
    pose: NDArray[np.float64],
    motion: NDArray[np.float64],
    spin: NDArray[np.float64],
    other: Any,
    other_state: Any,
    other_port: int,
    other_pose: NDArray[np.float64],
    other_motion: NDArray[np.float64],
    other_spin: NDArray[np.float64],
) -> int:
    """Return the Capture of two ports that touch."""
    if not (state.port_engaged[port] and other_state.port_engaged[other_port]):
        return _NOT_ENGAGED
    if state.port_latch[port] >= 0 or other_state.port_latch[other_port] >= 0:
        return _OCCUPIED
    front, facing = front_of(one, port, pose)
    other_front, other_facing = front_of(other, other_port, other_pose)
    axis = unit((facing[0] - other_facing[0], facing[1] - other_facing[1], facing[2] - other_facing[2]))
    apart = (other_front[0] - front[0], other_front[1] - front[1], other_front[2] - front[2])
    _, across = split(apart, axis)
    if length(across) > min(one.port_lateral[port], other.port_lateral[other_port]):
        return _LATERAL
    if angle_between(facing, other_facing) > min(one.port_angle[port], other.port_angle[other_port]):
        return _ANGLE
    middle = halfway(front, other_front)
    u, v = velocity_at(motion, spin, middle), velocity_at(other_motion, other_spin, middle)
    closing, slip = split((v[0] - u[0], v[1] - u[1], v[2] - u[2]), axis)
    if closing < max(one.port_slowest[port], other.port_slowest[other_port]):
        return _TOO_SLOW
    if closing > min(one.port_fastest[port], other.port_fastest[other_port]):
        return _TOO_FAST
    if length(slip) > min(one.port_slip[port], other.port_slip[other_port]):
        return _SLIP
    turning = (other_spin[0] - spin[0], other_spin[1] - spin[1], other_spin[2] - spin[2])
    if length(turning) > min(one.port_rate[port], other.port_rate[other_port]):
        return _RATE
    return _CAPTURED


@njit(cache=True)
def begin_capture(
    vehicles: Any, world_state: Any, states: Any, first: int, port: int, second: int, other_port: int, stamp: int
) -> bool:
    """Begin a latch; false if the plant has no room for another."""
    latch = 0
    while latch < world_state.latch_count and world_state.latch_phase[latch] != _OPEN:
        latch += 1
    if latch == MAX_LATCHES:
        return False
    world_state.latch_count = max(world_state.latch_count, latch + 1)
    world_state.latch_changes += 1
    world_state.latch_first[latch], world_state.latch_second[latch] = first, second
    world_state.latch_first_port[latch], world_state.latch_second_port[latch] = port, other_port
    world_state.latch_phase[latch], world_state.latch_stamp[latch] = _CAPTURING, stamp
    world_state.latch_seated[latch] = 0
    states[first].port_latch[port] = states[second].port_latch[other_port] = latch
    one, other, state, other_state = vehicles[first], vehicles[second], states[first], states[second]
    stiffness = 0.5 * (one.port_stiffness[port] + other.port_stiffness[other_port])
    turning = 0.5 * (one.port_turning_stiffness[port] + other.port_turning_stiffness[other_port])
    ratio = 0.5 * (one.port_damping_ratio[port] + other.port_damping_ratio[other_port])
    mass = 1.0 / (1.0 / state.body_mass + 1.0 / other_state.body_mass)
    inertia = 1.0 / (1.0 / state.body_inertia[2, 2] + 1.0 / other_state.body_inertia[2, 2])
    world_state.latch_stiffness[latch], world_state.latch_turning_stiffness[latch] = stiffness, turning
    world_state.latch_damping[latch] = 2.0 * ratio * math.sqrt(stiffness * mass)
    world_state.latch_turning_damping[latch] = 2.0 * ratio * math.sqrt(turning * inertia)
    target = aligned(
        multiply(conjugate(state.orientation), other_state.orientation),
        one.port_direction[port],
        other.port_direction[other_port],
    )
    for i in range(4):
        world_state.latch_target[latch, i] = target[i]
    return True


@njit(cache=True)
def aligned(relative: Quaternion, facing: NDArray[np.float64], other_facing: NDArray[np.float64]) -> Tuple4:
    """Orientation of the second vehicle in the first's axes with its port turned to face the first's, the short way."""
    u = rotate(relative, other_facing)
    w = (-facing[0], -facing[1], -facing[2])
    c = cross(u, w)
    turn = normalise((c[0], c[1], c[2], 1.0 + u[0] * w[0] + u[1] * w[1] + u[2] * w[2]))
    return normalise(multiply(turn, relative))


@njit(cache=True)
def add_pulls(
    vehicles: Any,
    world_state: Any,
    states: Any,
    pose: NDArray[np.float64],
    motion: NDArray[np.float64],
    spin: NDArray[np.float64],
    push: NDArray[np.float64],
    stamp: int,
    duration: float,
) -> None:
    """Add the pull of all latches that capture to `push`; log it if it acts for a `duration` s from `stamp` (ns)."""
    for latch in range(world_state.latch_count):
        if world_state.latch_phase[latch] != _CAPTURING:
            continue
        a, b = world_state.latch_first[latch], world_state.latch_second[latch]
        first, second = states[a].root, states[b].root
        front, _ = front_of(vehicles[a], world_state.latch_first_port[latch], pose[a])
        other_front, _ = front_of(vehicles[b], world_state.latch_second_port[latch], pose[b])
        middle = halfway(front, other_front)
        u, v = velocity_at(motion[first], spin[first], middle), velocity_at(motion[second], spin[second], middle)
        off = misalignment(pose[a, 3:7], pose[b, 3:7], world_state.latch_target[latch])
        arm = (middle[0] - motion[first, 0], middle[1] - motion[first, 1], middle[2] - motion[first, 2])
        other = (middle[0] - motion[second, 0], middle[1] - motion[second, 1], middle[2] - motion[second, 2])
        k, c = world_state.latch_stiffness[latch], world_state.latch_damping[latch]
        turn, brake = world_state.latch_turning_stiffness[latch], world_state.latch_turning_damping[latch]
        force = (
            k * (other_front[0] - front[0]) + c * (v[0] - u[0]),
            k * (other_front[1] - front[1]) + c * (v[1] - u[1]),
            k * (other_front[2] - front[2]) + c * (v[2] - u[2]),
        )
        around, other_around = cross(arm, force), cross(other, force)
        for i in range(3):
            torque = turn * off[i] + brake * (spin[second, i] - spin[first, i])
            push[first, 0, i] += force[i]
            push[second, 0, i] -= force[i]
            push[first, 1, i] += around[i] + torque
            push[second, 1, i] -= other_around[i] + torque
        if duration > 0.0:
            log_pull(world_state, a, b, latch, stamp, length(force), duration)


@njit(cache=True)
def log_pull(world_state: Any, first: int, second: int, latch: int, stamp: int, force: float, duration: float) -> None:
    """Log the pull of a latch as a contact of its own."""
    f, g = 1 + world_state.latch_first_port[latch] + PULL, 1 + world_state.latch_second_port[latch] + PULL
    contact = place_for(world_state, first, second, f, g)
    world_state.contact_capture[contact] = _CAPTURED
    log_force(world_state, contact, stamp, force, duration)


@njit(cache=True)
def seated(vehicles: Any, world_state: Any, states: Any, latch: int) -> bool:
    """Whether the ports of a latch lie together, aligned and at rest relative to each other; by the looser bounds."""
    a, b = world_state.latch_first[latch], world_state.latch_second[latch]
    p, q = world_state.latch_first_port[latch], world_state.latch_second_port[latch]
    one, other, state, other_state = vehicles[a], vehicles[b], states[a], states[b]
    at, to = port_of(one, state, p), port_of(other, other_state, q)
    apart = (to[0] - at[0], to[1] - at[1], to[2] - at[2])
    if length(apart) > max(one.port_seated_distance[p], other.port_seated_distance[q]):
        return False
    off = misalignment(state.orientation, other_state.orientation, world_state.latch_target[latch])
    if length(off) > max(one.port_seated_angle[p], other.port_seated_angle[q]):
        return False
    u, w = moving_port(state, at)
    v, x = moving_port(other_state, to)
    if length((v[0] - u[0], v[1] - u[1], v[2] - u[2])) > max(one.port_seated_speed[p], other.port_seated_speed[q]):
        return False
    return length((x[0] - w[0], x[1] - w[1], x[2] - w[2])) <= max(one.port_seated_rate[p], other.port_seated_rate[q])


@njit(cache=True)
def port_of(vehicle: Any, state: Any, port: int) -> Tuple3:
    """Front of a port, fixed axes; on the table ports have the height of base_link, and heights do not count."""
    arm = rotate(state.orientation, vehicle.port_position[port])
    level = 1.0 if state.body_inverse_mass[2] > 0.0 else 0.0
    return state.position[0] + arm[0], state.position[1] + arm[1], level * (state.position[2] + arm[2])


@njit(cache=True)
def moving_port(state: Any, point: Tuple3) -> tuple[Tuple3, Tuple3]:
    """Velocity of a point of a body and the body's rate, fixed axes."""
    rate = rotate(state.orientation, state.rate)
    turning = cross(rate, (point[0] - state.centre[0], point[1] - state.centre[1], point[2] - state.centre[2]))
    v = state.velocity
    return (v[0] + turning[0], v[1] + turning[1], v[2] + turning[2]), rate


@njit(cache=True)
def misalignment(q: Quaternion, other: Quaternion, target: NDArray[np.float64]) -> Tuple3:
    """Rotation vector, fixed axes, from where the second vehicle should face to where it does."""
    return to_rotation_vector(multiply(other, conjugate(multiply(q, target))))


@njit(cache=True)
def front_of(vehicle: Any, port: int, pose: NDArray[np.float64]) -> tuple[Tuple3, Tuple3]:
    """Front of a port's tip, and the direction it faces, fixed axes."""
    arm = rotate(pose[3:7], vehicle.port_position[port])
    front = (pose[0] + arm[0], pose[1] + arm[1], pose[2] + arm[2])
    return front, rotate(pose[3:7], vehicle.port_direction[port])


@njit(cache=True)
def velocity_at(motion: NDArray[np.float64], spin: NDArray[np.float64], point: Tuple3) -> Tuple3:
    """Velocity of a point of a body, fixed axes."""
    turning = cross(spin, (point[0] - motion[0], point[1] - motion[1], point[2] - motion[2]))
    return motion[7] + turning[0], motion[8] + turning[1], motion[9] + turning[2]


@njit(cache=True)
def angle_between(facing: Tuple3, other: Tuple3) -> float:
    """Angle by which two ports fail to face each other, rad."""
    c = cross(facing, other)
    return math.atan2(length(c), -(facing[0] * other[0] + facing[1] * other[1] + facing[2] * other[2]))


@njit(cache=True)
def halfway(a: Tuple3, b: Tuple3) -> Tuple3:
    """The middle between two points."""
    return 0.5 * (a[0] + b[0]), 0.5 * (a[1] + b[1]), 0.5 * (a[2] + b[2])


@njit(cache=True)
def unit(v: Tuple3) -> Tuple3:
    """The vector scaled to unit length; zero stays zero."""
    size = max(length(v), 1e-12)
    return v[0] / size, v[1] / size, v[2] / size


@njit(cache=True)
def length(v: Tuple3) -> float:
    """Length of a vector."""
    return math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
