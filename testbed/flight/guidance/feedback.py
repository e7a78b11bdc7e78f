"""The wrench that keeps a vehicle on its reference: feedforward, proportional-derivative feedback, slow integral.

Fed forward are the reference's acceleration, the gyroscopic torque, and against the estimated disturbance its opposite;
the integral finds what is left: steady torques, and what the estimator takes for something else.

Position is controlled at the centre of mass, so that force and torque do not disturb each other; the reference is
given at base_link. Attitude feedback on the quaternion's rotation vector: Wie, Space Vehicle Dynamics and Control (from
memory).
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.messages import NS_PER_S
from testbed.description.rotation import Tuple3, Vector3

LONGEST_INTERVAL: Final = 0.2
"""Time between two steps that the integral counts at most, s."""


@njit(cache=True)
def push(p: Any, s: Any, odometry: Any, disturbance: Any, wrench: Any) -> None:
    """Fill force and torque of `wrench` from the estimate and the reference in `s` (motion, pulse_start, pulse_end)."""
    for k in range(3):
        s.rate[k] = p.active[3 + k] * odometry.angular_velocity[k]
    elapsed = min(max(odometry.stamp - s.last_stamp, 0) / NS_PER_S, LONGEST_INTERVAL) if s.last_stamp else 0.0
    force = wanted_force(p, s, odometry, disturbance, elapsed)
    f, t = wrench.force, wrench.torque
    f[0], f[1], f[2] = rotation.rotate_inverse(odometry.orientation, force)
    t[0], t[1], t[2] = wanted_torque(p, s, odometry, elapsed)
    # The octahedron spanned by the authorities of the single axes lies inside what the valves can give.
    demand = 0.0
    for k in range(3):
        f[k] *= p.active[k]
        t[k] *= p.active[3 + k]
        demand += relative(f[k], p.authority[k]) + relative(t[k], p.authority[3 + k])
    s.saturated = demand > 1.0


@njit(cache=True)
def wanted_force(p: Any, s: Any, odometry: Any, disturbance: Any, elapsed: float) -> Tuple3:
    """Force in the fixed frame, N; integrates the position error unless it or the wrench is too large."""
    arm = rotation.rotate(odometry.orientation, p.centre_of_mass)
    reference_arm = rotation.rotate(s.motion.orientation, p.centre_of_mass)
    velocity = centre_velocity(p, odometry.orientation, odometry.linear_velocity, s.rate)
    reference_velocity = reference_centre_velocity(p, s.motion)
    before, after = reference_centre_velocity(p, s.pulse_start), reference_centre_velocity(p, s.pulse_end)
    error = s.vector
    for k in range(3):
        error[k] = p.active[k] * (s.motion.position[k] + reference_arm[k] - odometry.position[k] - arm[k])
    # An error of this size closes at the speed limit; a larger one must not close faster.
    largest = p.velocity_gain / p.position_gain * min(s.maneuver.speed_limit, p.speed_limit)
    steady = shorten(error, largest) and not s.saturated
    for k in range(3):
        if steady:
            step = p.mass * p.position_gain / p.integral_time * error[k] * elapsed
            s.integral_force[k] = clip(s.integral_force[k] + step, p.integral_limit[k])
        acceleration = (after[k] - before[k]) / p.period
        feedback = p.position_gain * error[k] + p.velocity_gain * (reference_velocity[k] - velocity[k])
        against = clip(-disturbance.force[k], p.integral_limit[k])
        error[k] = p.mass * (acceleration + feedback) + against + s.integral_force[k]
    return error[0], error[1], error[2]


@njit(cache=True)
def wanted_torque(p: Any, s: Any, odometry: Any, elapsed: float) -> Tuple3:
    """Torque along base_link axes, N·m; integrates the attitude error unless it or the wrench is too large."""
    error, rate = s.vector, s.rate
    turn = rotation.multiply(rotation.conjugate(odometry.orientation), s.motion.orientation)
    error[0], error[1], error[2] = rotation.to_rotation_vector(turn)
    reference_rate = rotation.rotate(turn, s.motion.rate)
    for k in range(3):
        error[k] *= p.active[3 + k]
    largest = p.rate_gain / p.attitude_gain * min(s.maneuver.rate_limit, p.rate_limit)
    steady = shorten(error, largest) and not s.saturated
    if steady:
        for k in range(3):
            step = p.inertia[k, k] * p.attitude_gain / p.integral_time * error[k] * elapsed
            s.integral_torque[k] = clip(s.integral_torque[k] + step, p.integral_limit[3 + k])
    for k in range(3):
        acceleration = (s.pulse_end.rate[k] - s.pulse_start.rate[k]) / p.period
        error[k] = acceleration + p.attitude_gain * error[k] + p.rate_gain * (reference_rate[k] - rate[k])
    gyroscopic = rotation.cross(rate, times_inertia(p, rate))
    torque = times_inertia(p, error)
    return (
        torque[0] + gyroscopic[0] + s.integral_torque[0],
        torque[1] + gyroscopic[1] + s.integral_torque[1],
        torque[2] + gyroscopic[2] + s.integral_torque[2],
    )


@njit(cache=True)
def centre_velocity(p: Any, orientation: Vector3, velocity: Vector3, rate: Vector3) -> Tuple3:
    """Velocity of the centre of mass in the fixed frame, from the twist of base_link along its own axes."""
    turn = rotation.cross(rate, p.centre_of_mass)
    return rotation.rotate(orientation, (velocity[0] + turn[0], velocity[1] + turn[1], velocity[2] + turn[2]))


@njit(cache=True)
def reference_centre_velocity(p: Any, motion: Any) -> Tuple3:
    """Velocity of the centre of mass in the fixed frame on the reference."""
    turn = rotation.rotate(motion.orientation, rotation.cross(motion.rate, p.centre_of_mass))
    return motion.velocity[0] + turn[0], motion.velocity[1] + turn[1], motion.velocity[2] + turn[2]


@njit(cache=True)
def times_inertia(p: Any, v: Vector3) -> Tuple3:
    """Inertia tensor times a vector along base_link axes."""
    i = p.inertia
    return (
        i[0, 0] * v[0] + i[0, 1] * v[1] + i[0, 2] * v[2],
        i[1, 0] * v[0] + i[1, 1] * v[1] + i[1, 2] * v[2],
        i[2, 0] * v[0] + i[2, 1] * v[1] + i[2, 2] * v[2],
    )


@njit(cache=True)
def shorten(vector: Any, largest: float) -> bool:
    """Scale `vector`, shape (3,), down to a length of `largest`; whether it was shorter already."""
    length = math.sqrt(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)
    if length <= largest:
        return True
    for k in range(3):
        vector[k] *= largest / length
    return False


@njit(cache=True)
def clip(value: float, limit: float) -> float:
    """`value` within ± `limit`."""
    return min(max(value, -limit), limit)


@njit(cache=True)
def relative(value: float, authority: float) -> float:
    """Size of `value` as a share of `authority`; infinite where that is zero."""
    if value == 0.0:
        return 0.0
    return abs(value) / authority if authority > 0.0 else math.inf
