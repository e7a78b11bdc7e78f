"""Bodies that may touch something: small steps of drift, kick, drift.

Each step moves positions and orientations by half of it, evaluates all forces there, changes velocities, and moves by
the other half (leapfrog; Hairer, Lubich & Wanner, Geometric Numerical Integration, ch. I and VII): of second order,
symplectic where forces derive from a potential. What two bodies do to each other acts at one point on both, in opposite
directions, and angular momentum along fixed axes is what is carried, so that linear and angular momentum together are
conserved to rounding. Forces that depend on velocity (damping, friction) are taken at the velocity in the middle of the
kick, which a first pass over the same contacts predicts. A body's motion is a row as in motion.py.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import TICK_NS
from testbed.description.rotation import Tuple3, cross, integrate, multiply, rotate, rotate_inverse, times
from testbed.model.bearing import rub
from testbed.model.contact import CONTACT_STEPS, STEP
from testbed.model.contact_forces import add, add_contacts, find_contacts
from testbed.model.contact_pool import match_near
from testbed.model.environment import air_drag, environment, film_drag
from testbed.model.hull import SIMPLEX
from testbed.model.joined import settle
from testbed.model.latches import seat_latches
from testbed.model.motion import MOMENTUM, load_motion, rate_of, store_motion
from testbed.model.ports import add_pulls, judge_touches
from testbed.model.table_surface import gravity_at
from testbed.model.valves import FORCE, TORQUE, move_valves

STEP_NS: Final = TICK_NS // CONTACT_STEPS

_PREDICT, _ACT = 0, 1


@njit(cache=True)
def advance_touching(
    world: Any, vehicles: Any, world_state: Any, states: Any, near: NDArray[np.bool_], stamp: int
) -> None:
    """Advance the vehicles marked in `near`, which make whole bodies, from `stamp` (ns) by a tick, valves and all."""
    count = len(states)
    members = np.flatnonzero(near[:count])
    motion, trial, pose = np.empty((count, 13)), np.empty((count, 13)), np.empty((count, 7))
    spin = np.empty((count, 3))
    push = np.empty((count, 2, 2, 3))
    simplex = np.empty(SIMPLEX)
    match_near(world_state)
    for m in members:
        if states[m].root == m:
            load_motion(states[m], motion[m])
    for begin in range(stamp, stamp + TICK_NS, STEP_NS):
        end = begin + STEP_NS
        for m in members:
            move_valves(vehicles[m], states[m], begin, end)
        drift(states, members, motion)
        place_members(world, states, members, motion, pose)
        push[:] = 0.0
        add_own_forces(world, vehicles, states, members, motion, pose, push[:, _PREDICT], spin)
        for m in members:
            push[m, _ACT] = push[m, _PREDICT]
            trial[m] = motion[m]
        find_contacts(world, vehicles, world_state, states, pose, simplex, begin)
        judge_touches(vehicles, world_state, states, pose, motion, spin, begin)
        add_contacts(world_state, states, motion, spin, push[:, _PREDICT], begin, 0.0)
        add_pulls(vehicles, world_state, states, pose, motion, spin, push[:, _PREDICT], begin, 0.0)
        kick(states, members, trial, push[:, _PREDICT], 0.5 * STEP)
        turn_rates(states, members, trial, spin)
        add_contacts(world_state, states, trial, spin, push[:, _ACT], begin, STEP)
        add_pulls(vehicles, world_state, states, pose, trial, spin, push[:, _ACT], begin, STEP)
        kick(states, members, motion, push[:, _ACT], STEP)
        rub(world, vehicles, states, members, motion, pose, STEP)
        drift(states, members, motion)
    for m in members:
        if states[m].root == m:
            store_motion(states[m], motion[m])
            settle(states, m)
    seat_latches(vehicles, world_state, states, stamp + TICK_NS)


@njit(cache=True)
def drift(states: Any, members: NDArray[np.int64], motion: NDArray[np.float64]) -> None:
    """Half a step of positions and orientations; velocities and angular momenta stay.

    The turn is that of the rate in its middle, which a first turn predicts.
    """
    half = 0.5 * STEP
    for m in members:
        if states[m].root == m:
            row = motion[m]
            for i in range(3):
                row[i] += half * row[7 + i]
            q = (row[3], row[4], row[5], row[6])
            rate = rate_of(states[m], row)
            middle = integrate(q, (0.5 * half * rate[0], 0.5 * half * rate[1], 0.5 * half * rate[2]))
            about = (row[10], row[11], row[12])
            rate = times(states[m].body_inverse_inertia, rotate_inverse(middle, about))
            turned = integrate(q, (half * rate[0], half * rate[1], half * rate[2]))
            for i in range(4):
                row[3 + i] = turned[i]


@njit(cache=True)
def turn_rates(states: Any, members: NDArray[np.int64], motion: NDArray[np.float64], spin: NDArray[np.float64]) -> None:
    """Fill `spin` with the rates of the bodies along fixed axes."""
    for m in members:
        if states[m].root == m:
            rate = rotate(motion[m, 3:7], rate_of(states[m], motion[m]))
            for i in range(3):
                spin[m, i] = rate[i]


@njit(cache=True)
def kick(
    states: Any, members: NDArray[np.int64], motion: NDArray[np.float64], push: NDArray[np.float64], duration: float
) -> None:
    """Change velocities and angular momenta by what acts for a time. push: force and torque, shape (n, 2, 3)."""
    for m in members:
        if states[m].root == m:
            for i in range(3):
                motion[m, 7 + i] += duration * push[m, 0, i] * states[m].body_inverse_mass[i]
                motion[m, MOMENTUM + i] += duration * push[m, 1, i]


@njit(cache=True)
def place_members(
    world: Any, states: Any, members: NDArray[np.int64], motion: NDArray[np.float64], pose: NDArray[np.float64]
) -> None:
    """Fill the pose of base_link of every member from the motion of its body; on the table heights count as 0."""
    for m in members:
        row = motion[states[m].root]
        q = multiply(row[3:7], states[m].mount_orientation)
        offset = rotate(q, states[m].body_centre)
        for i in range(3):
            pose[m, i] = row[i] - offset[i]
        if world.on_table:
            pose[m, 2] = 0.0
        for i in range(4):
            pose[m, 3 + i] = q[i]


@njit(cache=True)
def add_own_forces(
    world: Any,
    vehicles: Any,
    states: Any,
    members: NDArray[np.int64],
    motion: NDArray[np.float64],
    pose: NDArray[np.float64],
    push: NDArray[np.float64],
    spin: NDArray[np.float64],
) -> None:
    """Add thrust and surroundings to `push`, and fill `spin`."""
    turn_rates(states, members, motion, spin)
    for m in members:
        root = states[m].root
        row = motion[root]
        q = pose[m, 3:7]
        if root == m:
            w = rotate_inverse(q, spin[m])
            fx, fy, fz, tx, ty, tz = environment(
                world, vehicles[m], states[m], q, row[0], row[1], row[2], row[7], row[8], row[9], w[0], w[1], w[2]
            )
            torque = rotate(q, (tx, ty, tz))
            add(push[m], (fx, fy, fz), torque)
        # thrust acts at the vehicle's own centre of mass
        b, c = states[m].body_centre, vehicles[m].centre_of_mass
        arm = rotate(q, (c[0] - b[0], c[1] - b[1], c[2] - b[2]))
        if states[m].body_mass > vehicles[m].mass:
            add_drag_in_body(world, vehicles[m], q, row, spin[root], arm, root == m, push[root])
            if world.on_table:
                add_slope_in_body(world, vehicles[m].mass, pose[m], pose[root], arm, push[root])
        if not states[m].thrusting:
            continue
        force = rotate(q, states[m].thrust[FORCE])
        turning = rotate(q, states[m].thrust[TORQUE])
        around = cross(arm, force)
        add(push[root], force, (turning[0] + around[0], turning[1] + around[1], turning[2] + around[2]))


@njit(cache=True)
def add_drag_in_body(
    world: Any,
    vehicle: Any,
    q: NDArray[np.float64],
    motion: NDArray[np.float64],
    spin: NDArray[np.float64],
    arm: Tuple3,
    is_root: bool,
    push: NDArray[np.float64],
) -> None:
    """Add the drag of a member of a joined body, which acts where the member is.

    `environment` has the drag of the root act at the common centre of mass: that is taken off again.
    """
    w = rotate_inverse(q, spin)
    point = (motion[0] + arm[0], motion[1] + arm[1], motion[2] + arm[2])
    turning = cross(spin, arm)
    velocity = (motion[7] + turning[0], motion[8] + turning[1], motion[9] + turning[2])
    force, torque = drag(world, vehicle, point, velocity, w)
    around, along = cross(arm, force), rotate(q, torque)
    add(push, force, (around[0] + along[0], around[1] + along[1], around[2] + along[2]))
    if is_root:
        centre, moving = (motion[0], motion[1], motion[2]), (motion[7], motion[8], motion[9])
        force, torque = drag(world, vehicle, centre, moving, w)
        along = rotate(q, torque)
        add(push, (-force[0], -force[1], -force[2]), (-along[0], -along[1], -along[2]))


@njit(cache=True)
def add_slope_in_body(
    world: Any,
    mass: float,
    pose: NDArray[np.float64],
    root_pose: NDArray[np.float64],
    arm: Tuple3,
    push: NDArray[np.float64],
) -> None:
    """Let a member of a joined body glide on the slope under its own carriage: `environment` has that of the root."""
    here, there = gravity_at(world, pose[0], pose[1]), gravity_at(world, root_pose[0], root_pose[1])
    force = (mass * (here[0] - there[0]), mass * (here[1] - there[1]), 0.0)
    add(push, force, cross(arm, force))


@njit(cache=True)
def drag(world: Any, vehicle: Any, point: Tuple3, velocity: Tuple3, rate: Tuple3) -> tuple[Tuple3, Tuple3]:
    """Force along fixed axes and torque along body axes of the air film or the cabin's air on one vehicle."""
    if world.on_table:
        return film_drag(vehicle, velocity, rate)
    return air_drag(world, vehicle, point, velocity, rate)
