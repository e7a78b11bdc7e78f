"""What the surroundings do to a body that touches nothing: slope, air film, air, and a frame that is not inertial.

Velocities are relative to the fixed frame, as everywhere in the plant, and so is the rate. The fixed frame itself may
turn: with the Earth under a table, with the orbit round a cabin. Newton's equation then gets the Coriolis and tidal
terms, Euler's the terms that follow from w_inertial = w + O, with O the frame's rate along body axes (any text on
mechanics, e.g. Goldstein, Classical Mechanics, ch. 4 and 5):

    J dw/dt = torque - w x Jw - (w x JO + O x Jw + O x JO) + J (w x O)

How large they are, at 0.1 m/s, 10 degrees/s and 6 kg: on the table at 45 degrees of latitude 1e-5 m/s² and, on the
gyro, 15 degrees per hour; in an orbit of 93 minutes 2.3e-4 m/s² from Coriolis, 3.8e-6 m/s² for each metre above or
below the origin, 1e-5 N·m on a turning body, 2e-8 N·m from the gradient, and 0.065 degrees/s on the gyro.
"""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from testbed.description.rotation import Quaternion, Tuple3, Vector3, cross, rotate, rotate_inverse, times
from testbed.model.table_surface import gravity_at

Tuple6 = tuple[float, float, float, float, float, float]


@njit(cache=True)
def environment(
    world: Any,
    vehicle: Any,
    state: Any,
    q: Quaternion,
    x: float,
    y: float,
    z: float,
    vx: float,
    vy: float,
    vz: float,
    wx: float,
    wy: float,
    wz: float,
) -> Tuple6:
    """Force N along fixed axes and torque N·m about the centre of mass along body axes, (fx, fy, fz, tx, ty, tz).

    q: orientation; x, y, z: centre of mass, m; vx, vy, vz: its velocity along fixed axes, m/s; wx, wy, wz: rate
    relative to the fixed frame along body axes, rad/s.
    """
    velocity, rate = (vx, vy, vz), (wx, wy, wz)
    if world.on_table:
        force, torque = film_drag(vehicle, velocity, rate)
    else:
        force, torque = air_drag(world, vehicle, (x, y, z), velocity, rate)
    pull = free_acceleration(world, q, state.body_centre, (x, y, z), velocity)
    if world.frame_moves:
        turn = frame_torque(world, state.body_inertia, q, rate)
        torque = (torque[0] + turn[0], torque[1] + turn[1], torque[2] + turn[2])
    mass = state.body_mass
    return (
        force[0] + mass * pull[0],
        force[1] + mass * pull[1],
        force[2] + mass * pull[2],
        torque[0],
        torque[1],
        torque[2],
    )


@njit(cache=True)
def film_drag(vehicle: Any, velocity: Vector3, rate: Vector3) -> tuple[Tuple3, Tuple3]:
    """Force and torque of the air film under the carriage, and of the air that a spinning vehicle stirs.

    The film's shear grows with speed; what is stirred costs a torque that grows with the square of the rate.
    """
    drag = vehicle.film_drag
    turning = vehicle.film_drag_rotation + vehicle.spin_drag * norm(rate)
    force = (-drag * velocity[0], -drag * velocity[1], -drag * velocity[2])
    return force, (-turning * rate[0], -turning * rate[1], -turning * rate[2])


@njit(cache=True)
def air_drag(world: Any, vehicle: Any, point: Vector3, velocity: Vector3, rate: Vector3) -> tuple[Tuple3, Tuple3]:
    """Force and torque of the air in the cabin: 1/2·rho·Cd·A·|v|·v against what the ventilation moves past.

    The same area from every side. Rotation is damped by a torque of its own, linear and quadratic in the rate.
    """
    flow = air_flow(world, point)
    past = (velocity[0] - flow[0], velocity[1] - flow[1], velocity[2] - flow[2])
    drag = 0.5 * world.air_density * vehicle.air_drag_area * norm(past)
    turning = vehicle.rotation_damping + vehicle.rotation_drag * norm(rate)
    force = (-drag * past[0], -drag * past[1], -drag * past[2])
    return force, (-turning * rate[0], -turning * rate[1], -turning * rate[2])


@njit(cache=True)
def air_flow(world: Any, point: Vector3) -> Tuple3:
    """Velocity of the cabin's air at a point, m/s: a draught, and one roll about y.

    The roll has the stream function of a box's gravest cell, cos(pi·x/Lx)·cos(pi·z/Lz): free of divergence, along the
    walls at the walls, up at positive x, and as fast as circulation_speed in the middle of floor and ceiling.
    """
    speed = world.circulation_speed
    draught = world.air_velocity
    if speed == 0.0:
        return draught[0], draught[1], draught[2]
    length, height = world.room_size[0], world.room_size[2]
    a, b = math.pi * point[0] / length, math.pi * point[2] / height
    return (
        draught[0] - speed * math.cos(a) * math.sin(b),
        draught[1],
        draught[2] + speed * height / length * math.sin(a) * math.cos(b),
    )


@njit(cache=True)
def free_acceleration(world: Any, q: Quaternion, offset: Vector3, point: Vector3, velocity: Vector3) -> Tuple3:
    """Acceleration along fixed axes, m/s², of a body on which nothing acts that an accelerometer would feel.

    Gravity downhill on the table (taken under base_link; `offset` is the centre of mass in base_link), drift against an
    accelerated cabin, tidal and Coriolis terms. point, velocity: of the centre of mass.
    """
    gravity = (0.0, 0.0, 0.0)
    if world.on_table:
        arm = rotate(q, offset)
        gravity = gravity_at(world, point[0] - arm[0], point[1] - arm[1])
    steady = world.steady_acceleration
    pull = (gravity[0] + steady[0], gravity[1] + steady[1], gravity[2] + steady[2])
    if not world.frame_moves:
        return pull
    coriolis = cross(world.frame_rate, velocity)
    tidal = world.tidal
    return (
        pull[0] - 2.0 * coriolis[0] + (tidal[0, 0] * point[0] + tidal[0, 1] * point[1] + tidal[0, 2] * point[2]),
        pull[1] - 2.0 * coriolis[1] + (tidal[1, 0] * point[0] + tidal[1, 1] * point[1] + tidal[1, 2] * point[2]),
        pull[2] - 2.0 * coriolis[2] + (tidal[2, 0] * point[0] + tidal[2, 1] * point[1] + tidal[2, 2] * point[2]),
    )


@njit(cache=True)
def frame_torque(world: Any, inertia: Any, q: Quaternion, rate: Vector3) -> Tuple3:
    """Torque along body axes, N·m, that a turning frame and the gradient of gravity add to Euler's equation.

    The gradient acts along the fixed z axis, as 3·n² z x Jz (e.g. Wie, Space Vehicle Dynamics and Control).
    """
    turn = frame_rate_along_body(world, q)
    spin_up = cross(rate, turn)
    momentum, carried = times(inertia, rate), times(inertia, turn)
    a, b, c = cross(rate, carried), cross(turn, momentum), cross(turn, carried)
    d = times(inertia, spin_up)
    up = rotate_inverse(q, (0.0, 0.0, 1.0))
    e = cross(up, times(inertia, up))
    g = world.gravity_gradient
    return (
        d[0] - a[0] - b[0] - c[0] + g * e[0],
        d[1] - a[1] - b[1] - c[1] + g * e[1],
        d[2] - a[2] - b[2] - c[2] + g * e[2],
    )


@njit(cache=True)
def frame_rate_along_body(world: Any, q: Quaternion) -> Tuple3:
    """Rate of the fixed frame against inertial space along body axes, rad/s; a gyro feels it beside the body's own."""
    return rotate_inverse(q, world.frame_rate)


@njit(cache=True)
def norm(v: Vector3) -> float:
    """Length of a vector."""
    return math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
