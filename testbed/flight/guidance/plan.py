"""From a maneuver and the estimated pose to a reference: legs for position and attitude, or a track."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.maneuver import Kind
from testbed.description.messages import NS_PER_S
from testbed.flight.guidance import leg, track
from testbed.flight.guidance.authority import acceleration_about, acceleration_along

SLEW_SAMPLES: Final = 9
"""Attitudes along a slew at which the force authority is looked up; the least of them is planned with."""


@njit(cache=True)
def plan(p: Any, s: Any, odometry: Any, started: bool) -> None:
    """Make the reference for the maneuver in `s`; before its start, to stop and stay."""
    if started and s.maneuver.kind == Kind.TRACK:
        plan_track(p, s, odometry)
        return
    s.track.count = 0
    s.origin = odometry.stamp
    for k in range(3):
        s.start_position[k] = odometry.position[k]
    for k in range(4):
        s.start_orientation[k] = odometry.orientation[k]
    plan_brakes(p, s, odometry)
    aim(p, s, started)
    plan_moves(p, s)
    s.duration = max(
        leg.brake_time(s.position_leg) + leg.move_time(s.position_leg),
        leg.brake_time(s.attitude_leg) + leg.move_time(s.attitude_leg),
    )


@njit(cache=True)
def plan_brakes(p: Any, s: Any, odometry: Any) -> None:
    """First parts of both legs: stop what moves now, sharing the authority so that both stop together."""
    x, y, z = rotation.rotate(odometry.orientation, odometry.linear_velocity)
    velocity = x * p.active[0], y * p.active[1], z * p.active[2]
    s.position_leg.brake_speed = leg.direction_of(velocity, s.position_leg.brake_axis)
    x, y, z = odometry.angular_velocity[0], odometry.angular_velocity[1], odometry.angular_velocity[2]
    rate = x * p.active[3], y * p.active[4], z * p.active[5]
    s.attitude_leg.brake_speed = leg.direction_of(rate, s.attitude_leg.brake_axis)
    axis = rotation.rotate_inverse(odometry.orientation, s.position_leg.brake_axis)
    linear = acceleration_along(p, s, axis, -1.0)
    angular = acceleration_about(p, s, s.attitude_leg.brake_axis, -1.0)
    share = split(p.share, s.position_leg.brake_speed, linear, s.attitude_leg.brake_speed, angular)
    s.position_leg.deceleration = max(share * linear, leg.LEAST_ACCELERATION)
    s.attitude_leg.deceleration = max((p.share - share) * angular, leg.LEAST_ACCELERATION)


@njit(cache=True)
def aim(p: Any, s: Any, started: bool) -> None:
    """Directions and lengths of both moves, from where the brakes end to what the maneuver gives."""
    one = s.position_leg
    for k in range(3):
        stop = s.start_position[k] + one.brake_axis[k] * leg.brake_length(one)
        given = started and s.maneuver.position_given and p.active[k]
        s.vector[k] = s.maneuver.position[k] - stop if given else 0.0
    one.length = leg.direction_of((s.vector[0], s.vector[1], s.vector[2]), one.axis)
    turned = 0.0, 0.0, 0.0
    if started and s.maneuver.orientation_given:
        turn = rotation.multiply(rotation.conjugate(stopped_orientation(s)), rotation.normalise(s.maneuver.orientation))
        # Without the axes that are held, what is left is the turn about the free ones (exact for yaw alone).
        x, y, z = turn[0] * p.active[3], turn[1] * p.active[4], turn[2] * p.active[5]
        if x * x + y * y + z * z + turn[3] * turn[3] > 1e-12:
            turned = rotation.to_rotation_vector(rotation.normalise((x, y, z, turn[3])))
    s.attitude_leg.length = leg.direction_of(turned, s.attitude_leg.axis)


@njit(cache=True)
def plan_moves(p: Any, s: Any) -> None:
    """Accelerations and speeds of both moves, sharing the authority so that both would end together."""
    one, two = s.position_leg, s.attitude_leg
    linear = math.inf
    stopped = stopped_orientation(s)
    samples = SLEW_SAMPLES if two.length > 1e-3 else 1
    for i in range(samples):
        angle = two.length * i / (SLEW_SAMPLES - 1)
        orientation = rotation.integrate(stopped, (two.axis[0] * angle, two.axis[1] * angle, two.axis[2] * angle))
        axis = rotation.rotate_inverse(orientation, one.axis)
        linear = min(linear, acceleration_along(p, s, axis, -1.0), acceleration_along(p, s, axis, 1.0))
    angular = min(acceleration_about(p, s, two.axis, -1.0), acceleration_about(p, s, two.axis, 1.0))
    share = split(p.share, one.length, linear, two.length, angular)
    leg.set_move(one, share * linear, min(s.maneuver.speed_limit, p.speed_limit))
    leg.set_move(two, (p.share - share) * angular, min(s.maneuver.rate_limit, p.rate_limit))


@njit(cache=True)
def split(share: float, amount: float, acceleration: float, other: float, other_acceleration: float) -> float:
    """Part of `share` for the first of two demands, in proportion to amount over acceleration.

    The wrenches that valves can give form a convex set: shares that add up to at most one can be given together.
    """
    first = amount / max(acceleration, leg.LEAST_ACCELERATION)
    second = other / max(other_acceleration, leg.LEAST_ACCELERATION)
    return share * first / (first + second) if first + second > 0.0 else 0.5 * share


@njit(cache=True)
def stopped_orientation(s: Any) -> tuple[float, float, float, float]:
    """Orientation where the brake of the attitude ends."""
    angle, axis = leg.brake_length(s.attitude_leg), s.attitude_leg.brake_axis
    return rotation.integrate(s.start_orientation, (axis[0] * angle, axis[1] * angle, axis[2] * angle))


@njit(cache=True)
def plan_track(p: Any, s: Any, odometry: Any) -> None:
    """The maneuver's waypoints, and before them the present pose if the first is still ahead."""
    m = s.maneuver
    s.origin = m.start
    s.track.count = 0
    present = odometry.position
    now = (odometry.stamp - m.start) / NS_PER_S
    if now < m.waypoint_time[0]:
        track.add(s.track, now, present[0], present[1], present[2], rotation.heading(odometry.orientation))
    for k in range(m.waypoint_count):
        x = m.waypoint_position[k, 0] if p.active[0] else present[0]
        y = m.waypoint_position[k, 1] if p.active[1] else present[1]
        z = m.waypoint_position[k, 2] if p.active[2] else present[2]
        track.add(s.track, m.waypoint_time[k], x, y, z, m.waypoint_heading[k])
    track.smooth(s.track)
    s.duration = m.waypoint_time[m.waypoint_count - 1]


@njit(cache=True)
def locate(s: Any, time: float, motion: Any) -> None:
    """Fill `motion` with the reference `time` s after `origin`."""
    if s.track.count > 0:
        track.follow(s.track, time, motion)
        return
    one, two = s.position_leg, s.attitude_leg
    braked, braking = leg.along_brake(one, time)
    moved, moving = leg.along_move(one, time)
    turned, turning = leg.along_brake(two, time)
    slewed, slewing = leg.along_move(two, time)
    for k in range(3):
        motion.position[k] = s.start_position[k] + one.brake_axis[k] * braked + one.axis[k] * moved
        motion.velocity[k] = one.brake_axis[k] * braking + one.axis[k] * moving
        motion.rate[k] = two.brake_axis[k] * turning + two.axis[k] * slewing
    first = rotation.integrate(
        s.start_orientation, (two.brake_axis[0] * turned, two.brake_axis[1] * turned, two.brake_axis[2] * turned)
    )
    q = motion.orientation
    q[0], q[1], q[2], q[3] = rotation.integrate(
        first, (two.axis[0] * slewed, two.axis[1] * slewed, two.axis[2] * slewed)
    )
