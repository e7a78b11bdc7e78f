"""From a maneuver and the estimated pose to a reference: legs for position and attitude, a track or a trajectory."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.maneuver import Kind
from testbed.description.messages import NS_PER_S
from testbed.description.rotation import Tuple3, Vector3
from testbed.flight.guidance import drift, joining, leg, track
from testbed.flight.guidance.authority import acceleration_about, acceleration_along, flow_per_acceleration

LEAST: Final = leg.LEAST_ACCELERATION
GAS_SHARE: Final = 0.8
"""Share of a move's gas that its profile may take; the rest is for staying on it."""
LEAST_GAS: Final = 0.05
"""A move whose gas is gone, most likely up a slope, is given this share more to end; then it takes what it takes."""
TURNED_WITHIN: Final = 0.25
"""Share of a deadband by which a vehicle may overshoot it where a hold begins while it drifts."""
HOLDING: Final = 1.2
"""What holding against the disturbance takes in pulses, over the least that it could take."""
SLEW_SAMPLES: Final = 9
"""Attitudes along a slew at which the force authority is looked up; the least of them is planned with."""


@njit(cache=True)
def plan(p: Any, s: Any, odometry: Any, disturbance: Any, started: bool) -> None:
    """Make the reference for the maneuver in `s`; before its start, to stop and stay."""
    s.present.joined = s.next.joined = 0
    if started and s.maneuver.kind == Kind.FORMATION:
        plan_trajectory(p, s, odometry)
        return
    if started and s.maneuver.kind == Kind.TRACK:
        plan_track(p, s, odometry)
        return
    if started and s.maneuver.kind == Kind.HOLD and s.maneuver.deadband > 0.0 and drifts_already(p, s, odometry):
        return
    s.track.count = 0
    s.origin = odometry.stamp
    for k in range(3):
        s.start_position[k] = odometry.position[k]
    for k in range(4):
        s.start_orientation[k] = odometry.orientation[k]
    plan_brakes(p, s, odometry)
    aim(p, s, started)
    plan_moves(p, s, (odometry.stamp - s.maneuver.start) / NS_PER_S, holding_flow(p, s, odometry, disturbance))
    s.duration = max(
        leg.brake_time(s.position_leg) + leg.move_time(s.position_leg),
        leg.brake_time(s.attitude_leg) + leg.move_time(s.attitude_leg),
    )


@njit(cache=True)
def drifts_already(p: Any, s: Any, odometry: Any) -> bool:
    """Make the held pose the reference at once, at rest, if the vehicle drifts within the deadband slowly enough.

    So slowly that the first pulse at the edge turns it within TURNED_WITHIN of the deadband. To brake first, or to go
    to the middle, would only cost gas.
    """
    s.track.count, s.origin, s.duration = 0, odometry.stamp, 0.0
    for k in range(3):
        given = s.maneuver.position_given and p.active[k]
        s.start_position[k] = s.maneuver.position[k] if given else odometry.position[k]
    for k in range(4):
        s.start_orientation[k] = s.maneuver.orientation[k] if s.maneuver.orientation_given else odometry.orientation[k]
    leg.stay(s.position_leg)
    leg.stay(s.attitude_leg)
    locate(s, 0.0, s.motion)
    drift.fill_offset(p, s, odometry)
    for k in range(6):
        edge, speed = drift.deadband(s, k), abs(s.speed[k])
        change = min(p.most_change[k, 0], p.most_change[k, 1])
        if not p.active[k]:
            continue
        if abs(s.offset[k]) > edge or change <= 0.0:
            return False
        if p.period * speed * (1.0 + 0.5 * speed / change) > TURNED_WITHIN * edge:
            return False
    return True


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
def plan_moves(p: Any, s: Any, elapsed: float, flow: float) -> None:
    """Accelerations and speeds of both moves, sharing the authority so that both would end together.

    `elapsed` s since the maneuver's start; `flow` kg/s of gas that holding against the disturbance takes.
    """
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
    m, s.afforded = s.maneuver, 1
    speed, rate = min(m.speed_limit, p.speed_limit), min(m.rate_limit, p.rate_limit)
    if m.gas > 0.0 and m.kind == Kind.TRANSLATE and one.length > 0.0:
        note_gas_per_speed(p, s, rotation.rotate_inverse(stopped, one.axis))
        per_speed, given = s.gas_to_start + s.gas_to_stop, gas_to_give(s, one.brake_speed)
        speed = min(speed, leg.speed_for_gas(one.length, max(share * linear, LEAST), given, per_speed, flow))
    if m.gas > 0.0 and m.kind == Kind.ROTATE and two.length > 0.0:
        note_gas_per_rate(p, s, two.axis)
        per_rate, given = s.gas_to_start + s.gas_to_stop, gas_to_give(s, two.brake_speed)
        fastest = max((p.share - share) * angular, LEAST)
        rate = min(rate, leg.speed_for_gas(two.length, fastest, given, per_rate, flow))
    left = m.duration - elapsed if m.duration > 0.0 else 0.0
    by_time_one = left - leg.brake_time(one) if m.kind == Kind.TRANSLATE else 0.0
    by_time_two = left - leg.brake_time(two) if m.kind == Kind.ROTATE else 0.0
    leg.set_timed_move(one, share * linear, speed, by_time_one)
    leg.set_timed_move(two, (p.share - share) * angular, rate, by_time_two)


@njit(cache=True)
def gas_to_give(s: Any, speed: float) -> float:
    """Gas kg for a move's profile that first has to brake from `speed`; notes whether the move has as much."""
    left, least = GAS_SHARE * (s.maneuver.gas - s.spent) - gas_to_brake(s, speed), LEAST_GAS * s.maneuver.gas
    s.afforded = left >= least
    return max(left, least)


@njit(cache=True)
def gas_to_brake(s: Any, speed: float) -> float:
    """Gas kg to brake from `speed` in a direction that is not looked at."""
    return speed * max(s.gas_to_start, s.gas_to_stop)


@njit(cache=True)
def affords_new_plan(p: Any, s: Any, odometry: Any, disturbance: Any) -> bool:
    """Whether a move by gas can be planned anew with what is left: to brake, and then to go the rest of the way."""
    m = s.maneuver
    if m.gas <= 0.0:
        return True
    one = s.position_leg if m.kind == Kind.TRANSLATE else s.attitude_leg
    square = 0.0
    for k in range(3):
        moving = odometry.linear_velocity[k] if m.kind == Kind.TRANSLATE else odometry.angular_velocity[k]
        square += moving * moving
    left = GAS_SHARE * (m.gas - s.spent) - gas_to_brake(s, math.sqrt(square))
    flow = holding_flow(p, s, odometry, disturbance)
    least = leg.least_gas(one.length, one.acceleration, s.gas_to_start + s.gas_to_stop, flow)
    return bool(left >= max(least, LEAST_GAS * m.gas))


@njit(cache=True)
def note_gas_per_speed(p: Any, s: Any, axis: Tuple3) -> None:
    """Keep the gas kg per m/s to start and to stop a move along the unit vector `axis` (base_link)."""
    s.gas_to_start = flow_per_acceleration(p, s, acceleration_along(p, s, axis, 1.0), p.share)
    s.gas_to_stop = flow_per_acceleration(p, s, acceleration_along(p, s, axis, -1.0), p.share)


@njit(cache=True)
def note_gas_per_rate(p: Any, s: Any, axis: Vector3) -> None:
    """Keep the gas kg per rad/s to start and to stop a turn about the unit vector `axis` (base_link)."""
    s.gas_to_start = flow_per_acceleration(p, s, acceleration_about(p, s, axis, 1.0), p.share)
    s.gas_to_stop = flow_per_acceleration(p, s, acceleration_about(p, s, axis, -1.0), p.share)


@njit(cache=True)
def holding_flow(p: Any, s: Any, odometry: Any, disturbance: Any) -> float:
    """Gas kg/s that it takes to hold against the disturbance by pulses in the present attitude."""
    f = disturbance.force
    x, y, z = rotation.rotate_inverse(odometry.orientation, (-f[0], -f[1], -f[2]))
    against = x * p.active[0], y * p.active[1], z * p.active[2]
    size = leg.direction_of(against, s.vector) / p.mass
    axis = s.vector[0], s.vector[1], s.vector[2]
    return HOLDING * size * flow_per_acceleration(p, s, acceleration_along(p, s, axis, 1.0), 0.5)


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
def plan_trajectory(p: Any, s: Any, odometry: Any) -> None:
    """Join the present trajectory from where the vehicle is and as it moves."""
    s.track.count = 0
    joining.read_motion(p, odometry, s.pulse_start)
    joining.join(p, s, s.present, odometry.stamp, odometry)
    span(s)


@njit(cache=True)
def span(s: Any) -> None:
    """Reckon the maneuver's time from the beginning of its first trajectory to the last knot of the present one."""
    s.origin = s.begun
    s.duration = max((joining.end(s.present.knots) - s.begun) / NS_PER_S, 0.0)


@njit(cache=True)
def locate(s: Any, time: float, motion: Any) -> None:
    """Fill `motion` with the reference `time` s after `origin`."""
    if s.next.joined and joining.time_in(s.next, s.origin) + time >= s.next.begin:
        joining.follow(s.next, joining.time_in(s.next, s.origin) + time, motion)
        return
    if s.present.joined:
        joining.follow(s.present, joining.time_in(s.present, s.origin) + time, motion)
        return
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
