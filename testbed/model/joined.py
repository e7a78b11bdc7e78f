"""Rigid bodies of one or more vehicles: which vehicle belongs to which, with what mass and inertia.

A vehicle that is joined to others by its ports is a member of one rigid body, whose motion the member of lowest index,
its `root`, holds. Every state carries the figures of its body as seen from its own base_link: `body_mass`;
`body_inertia` about the body's centre of mass, own axes; `body_centre`, where that centre lies in its own base_link;
`mount_position` and `mount_orientation`, its own base_link in that of the root. So `centre`, `velocity`, `orientation`
and `rate` of any member are a full account of the body's motion. A vehicle alone is its own root.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import (
    Tuple3,
    conjugate,
    cross,
    multiply,
    normalise,
    rotate,
    rotate_inverse,
    times,
    to_matrix,
)


@njit(cache=True)
def set_alone(vehicle: Any, state: Any, index: int) -> None:
    """Make a vehicle a body of its own; its motion is left as it is."""
    state.root = index
    state.body_mass = vehicle.mass
    for i in range(3):
        state.body_inverse_mass[i] = vehicle.inverse_mass[i]
        state.body_centre[i] = vehicle.centre_of_mass[i]
        state.mount_position[i] = state.mount_orientation[i] = 0.0
        for j in range(3):
            state.body_inertia[i, j] = vehicle.inertia[i, j]
            state.body_inverse_inertia[i, j] = vehicle.inverse_inertia[i, j]
    state.mount_orientation[3] = 1.0


@njit(cache=True)
def derive_base(state: Any) -> None:
    """Derive the motion of base_link from that of the body's centre of mass."""
    offset = rotate(state.orientation, state.body_centre)
    spin = cross(state.rate, state.body_centre)
    along_body = rotate_inverse(state.orientation, state.velocity)
    for i in range(3):
        state.position[i] = state.centre[i] - offset[i]
        state.linear_velocity[i] = along_body[i] - spin[i]


@njit(cache=True)
def carry(root: Any, member: Any) -> None:
    """Let a member of a body move as the body's root does."""
    q = normalise(multiply(root.orientation, member.mount_orientation))
    rate = rotate_inverse(member.mount_orientation, root.rate)
    for i in range(3):
        member.centre[i] = root.centre[i]
        member.velocity[i] = root.velocity[i]
        member.rate[i] = rate[i]
    for i in range(4):
        member.orientation[i] = q[i]
    derive_base(member)


@njit(cache=True)
def join(world_state: Any, vehicles: Any, states: Any, first: int, second: int) -> None:
    """Make one rigid body, just as they lie, of the bodies of two vehicles; momentum and spin are those of both."""
    ours, theirs = states[first].root, states[second].root
    momentum, spin, centre, mass = np.zeros(3), np.zeros(3), np.zeros(3), 0.0
    for root in (ours, theirs):
        state = states[root]
        mass += state.body_mass
        for i in range(3):
            centre[i] += state.body_mass * state.centre[i]
            momentum[i] += state.body_mass * state.velocity[i]
    for i in range(3):
        centre[i] /= mass
    for root in (ours, theirs):
        add_spin(states[root], centre, spin)
    root = min(ours, theirs)
    for m in range(len(states)):
        if states[m].root in (ours, theirs):
            states[m].root = root
    mount(states, root)
    set_body(vehicles, states, root)
    move_body(states, root, centre, momentum, spin)
    for k in range(world_state.contact_count):  # what is one body touches itself no more
        b = world_state.contact_second[k]
        if b >= 0 and states[world_state.contact_first[k]].root == states[b].root:
            world_state.contact_touching[k] = 0


@njit(cache=True)
def separate(world_state: Any, vehicles: Any, states: Any, root: int, joined: int, now: int) -> None:
    """Make a body of each part of this one that no latch in the phase `joined` holds to the rest, at `now` (ns).

    Each moves on as it did.
    """
    count = len(states)
    part = np.full(count, -1)
    for m in range(count):
        if states[m].root == root:
            part[m] = m
    changed = True
    while changed:
        changed = False
        for latch in range(world_state.latch_count):
            if world_state.latch_phase[latch] == joined:
                a, b = world_state.latch_first[latch], world_state.latch_second[latch]
                if part[a] != part[b]:
                    part[a] = part[b] = min(part[a], part[b])
                    changed = True
    whole = True
    for m in range(count):
        whole = whole and part[m] in (-1, root)
    if whole:
        return
    point, velocity = states[root].centre.copy(), states[root].velocity.copy()
    rate = rotate(states[root].orientation, states[root].rate)
    for m in range(count):
        if part[m] >= 0:
            states[m].root = part[m]
            states[m].released = now
    for m in range(count):
        if part[m] == m:
            mount(states, m)
            set_body(vehicles, states, m)
            state = states[m]
            arm = rotate(state.orientation, state.body_centre)
            for i in range(3):
                state.centre[i] = state.position[i] + arm[i]
            from_whole = (state.centre[0] - point[0], state.centre[1] - point[1], state.centre[2] - point[2])
            turning = cross(rate, from_whole)
            along = rotate_inverse(state.orientation, rate)
            for i in range(3):
                state.velocity[i] = velocity[i] + turning[i]
                state.rate[i] = along[i]
            settle(states, m)


@njit(cache=True)
def add_spin(state: Any, point: NDArray[np.float64], spin: NDArray[np.float64]) -> None:
    """Add the angular momentum of a body about a point, fixed axes."""
    own = rotate(state.orientation, times(state.body_inertia, (state.rate[0], state.rate[1], state.rate[2])))
    x, v, m = state.centre, state.velocity, state.body_mass
    orbital = cross((x[0] - point[0], x[1] - point[1], x[2] - point[2]), (m * v[0], m * v[1], m * v[2]))
    for i in range(3):
        spin[i] += own[i] + orbital[i]


@njit(cache=True)
def mount(states: Any, root: int) -> None:
    """Set where the members of a body lie in the base_link of their root, from where they all are."""
    one = states[root]
    for m in range(len(states)):
        state = states[m]
        if state.root == root:
            p, q = state.position, one.position
            offset = rotate_inverse(one.orientation, (p[0] - q[0], p[1] - q[1], p[2] - q[2]))
            turn = normalise(multiply(conjugate(one.orientation), state.orientation))
            for i in range(3):
                state.mount_position[i] = offset[i]
            for i in range(4):
                state.mount_orientation[i] = turn[i]


@njit(cache=True)
def set_body(vehicles: Any, states: Any, root: int) -> None:
    """Set mass, inertia (by the parallel-axis theorem) and centre of mass of a body for all of its members."""
    mass, centre = 0.0, np.zeros(3)
    for m in range(len(states)):
        if states[m].root == root:
            mass += vehicles[m].mass
            at = mounted_centre(vehicles[m], states[m])
            for i in range(3):
                centre[i] += vehicles[m].mass * at[i]
    inertia, turn = np.zeros((3, 3)), np.empty((3, 3))
    for i in range(3):
        centre[i] /= mass
    for m in range(len(states)):
        if states[m].root == root:
            to_matrix(states[m].mount_orientation, turn)
            add_turned(inertia, vehicles[m].inertia, turn)
            at = mounted_centre(vehicles[m], states[m])
            d = (at[0] - centre[0], at[1] - centre[1], at[2] - centre[2])
            square = d[0] * d[0] + d[1] * d[1] + d[2] * d[2]
            for i in range(3):
                inertia[i, i] += vehicles[m].mass * square
                for j in range(3):
                    inertia[i, j] -= vehicles[m].mass * d[i] * d[j]
    inverse = free_inverse(inertia, vehicles[root].inverse_inertia)
    for m in range(len(states)):
        state = states[m]
        if state.root == root:
            to_matrix(conjugate(state.mount_orientation), turn)
            p = state.mount_position
            own = rotate_inverse(state.mount_orientation, (centre[0] - p[0], centre[1] - p[1], centre[2] - p[2]))
            state.body_mass = mass
            state.body_inertia[:] = 0.0
            state.body_inverse_inertia[:] = 0.0
            add_turned(state.body_inertia, inertia, turn)
            add_turned(state.body_inverse_inertia, inverse, turn)
            for i in range(3):
                state.body_centre[i] = own[i]
                state.body_inverse_mass[i] = 1.0 / mass if vehicles[m].inverse_mass[i] > 0.0 else 0.0


@njit(cache=True)
def move_body(
    states: Any, root: int, centre: NDArray[np.float64], momentum: NDArray[np.float64], spin: NDArray[np.float64]
) -> None:
    """Give a body its momentum and its angular momentum about its centre of mass, fixed axes."""
    state = states[root]
    rate = times(state.body_inverse_inertia, rotate_inverse(state.orientation, spin))
    for i in range(3):
        state.centre[i] = centre[i]
        state.velocity[i] = momentum[i] * state.body_inverse_mass[i]
        state.rate[i] = rate[i]
    settle(states, root)


@njit(cache=True)
def settle(states: Any, root: int) -> None:
    """Let everything in a body follow the motion that its root holds."""
    derive_base(states[root])
    for m in range(len(states)):
        if states[m].root == root and m != root:
            carry(states[root], states[m])


@njit(cache=True)
def mounted_centre(vehicle: Any, state: Any) -> Tuple3:
    """Centre of mass of a vehicle alone, in the base_link of its root."""
    p = state.mount_position
    arm = rotate(state.mount_orientation, vehicle.centre_of_mass)
    return p[0] + arm[0], p[1] + arm[1], p[2] + arm[2]


@njit(cache=True)
def add_turned(total: NDArray[np.float64], matrix: NDArray[np.float64], turn: NDArray[np.float64]) -> None:
    """Add turn @ matrix @ turn.T, all of shape (3, 3)."""
    for i in range(3):
        for j in range(3):
            value = 0.0
            for k in range(3):
                for m in range(3):
                    value += turn[i, k] * matrix[k, m] * turn[j, m]
            total[i, j] += value


@njit(cache=True)
def free_inverse(inertia: NDArray[np.float64], pattern: NDArray[np.float64]) -> NDArray[np.float64]:
    """Inverse of the block of the axes that are free, which are those in which `pattern` has a diagonal; shape (3, 3).

    On the table that is z alone, about which all vehicles turn alike.
    """
    inverse = np.zeros((3, 3))
    if pattern[0, 0] == 0.0:
        inverse[2, 2] = 1.0 / inertia[2, 2]
        return inverse
    inverse[:] = np.linalg.inv(inertia)
    return inverse
