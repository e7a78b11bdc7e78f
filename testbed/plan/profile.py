"""Rest-to-rest motion in closed form: what a translation or a rotation of the plan takes in time, speed and gas."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.rotation import conjugate, multiply, rotate_inverse, to_rotation_vector
from testbed.description.vehicle import Vehicle
from testbed.plan.authority import Place, force_along, thrust_for_force, thrust_for_torque, torque_about
from testbed.plan.flight_limits import Fastest
from testbed.plan.maneuvers import RATE_LIMIT_DEG, SPEED_LIMIT, Rotate, Translate
from testbed.plan.poses import PlannedPose

Direction = tuple[float, float, float]


@dataclass(frozen=True)
class Profile:
    """Rest-to-rest motion over a distance with limited acceleration and speed; in m or in rad."""

    distance: float
    acceleration: float
    speed: float

    @property
    def peak(self) -> float:
        """Largest speed reached."""
        return min(self.speed, math.sqrt(self.distance * self.acceleration))

    @property
    def duration(self) -> float:
        """Time it takes, s: bang-coast-bang, infinite without acceleration (double integrator, e.g. Bryson & Ho)."""
        if self.distance <= 0.0:
            return 0.0
        if self.acceleration <= 0.0:
            return math.inf
        return self.distance / self.peak + self.peak / self.acceleration

    def progress(self, time: float) -> float:
        """Distance covered after a time from the beginning."""
        if time <= 0.0 or self.distance <= 0.0:
            return 0.0
        if time >= self.duration:
            return self.distance
        ramp = self.peak / self.acceleration
        if time > self.duration - ramp:
            return self.distance - 0.5 * self.acceleration * (self.duration - time) ** 2
        if time > ramp:
            return 0.5 * self.peak * ramp + self.peak * (time - ramp)
        return 0.5 * self.acceleration * time**2

    def stretched(self, duration: float) -> Profile:
        """The motion that takes so long, s, with the least peak acceleration; this one where that is too short."""
        if self.distance <= 0.0 or duration <= self.duration:
            return self
        spare = duration - self.distance / self.speed
        if 2.0 * self.distance / duration > self.speed:
            return Profile(self.distance, self.speed / spare, self.speed)
        return Profile(self.distance, 4.0 * self.distance / duration**2, self.speed)


def fastest(
    vehicle: Vehicle, place: Place, most: Fastest, step: Translate | Rotate, before: PlannedPose, after: PlannedPose
) -> Profile:
    """The fastest profile that the vehicle's thrust and the limits allow, whatever the plan asks for."""
    if isinstance(step, Translate):
        return _fastest_move(vehicle, place, before, after, most.speed)
    return _fastest_turn(vehicle, place, before, after, most.rate)


def translation(
    vehicle: Vehicle, place: Place, most: Fastest, step: Translate, before: PlannedPose, after: PlannedPose
) -> Profile:
    """Profile of a straight move as the plan asks for it."""
    speed = most.speed
    if step.gas_g is not None:
        speed = min(speed, step.gas_g * 1e-3 / gas_per_speed(vehicle, place, before, after))
    elif step.duration is None:
        speed = step.speed_limit or SPEED_LIMIT
    profile = _fastest_move(vehicle, place, before, after, speed)
    return profile if step.duration is None else profile.stretched(step.duration)


def rotation(
    vehicle: Vehicle, place: Place, most: Fastest, step: Rotate, before: PlannedPose, after: PlannedPose
) -> Profile:
    """Profile of a turn the short way round as the plan asks for it."""
    rate = most.rate
    if step.gas_g is not None:
        rate = min(rate, step.gas_g * 1e-3 / gas_per_rate(vehicle, place, before, after))
    elif step.duration is None:
        rate = math.radians(step.rate_limit_deg or RATE_LIMIT_DEG)
    profile = _fastest_turn(vehicle, place, before, after, rate)
    return profile if step.duration is None else profile.stretched(step.duration)


def _fastest_move(vehicle: Vehicle, place: Place, before: PlannedPose, after: PlannedPose, speed: float) -> Profile:
    """With the share of thrust that guidance plans with, there and back along the path."""
    (x, y, z), distance = move(before, after)
    weaker = min(force_along(vehicle, place, (x, y, z)), force_along(vehicle, place, (-x, -y, -z)))
    return Profile(distance, vehicle.control.authority * weaker / vehicle.mass_properties(place).mass, speed)


def _fastest_turn(vehicle: Vehicle, place: Place, before: PlannedPose, after: PlannedPose, rate: float) -> Profile:
    """With the share of thrust that guidance plans with, there and back about the axis."""
    (x, y, z), size, angle = _torque(vehicle, place, before, after)
    weaker = min(torque_about(vehicle, place, (x, y, z)), torque_about(vehicle, place, (-x, -y, -z)))
    return Profile(angle, vehicle.control.authority * weaker / size, rate)


def gas_per_speed(vehicle: Vehicle, place: Place, before: PlannedPose, after: PlannedPose) -> float:
    """Least gas, kg per m/s of top speed, that a straight move takes to start and to stop."""
    (x, y, z), _ = move(before, after)
    thrust = thrust_for_force(vehicle, place, (x, y, z)) + thrust_for_force(vehicle, place, (-x, -y, -z))
    return vehicle.mass_properties(place).mass * thrust / (vehicle.gas.specific_impulse * STANDARD_GRAVITY)


def gas_per_rate(vehicle: Vehicle, place: Place, before: PlannedPose, after: PlannedPose) -> float:
    """Least gas, kg per rad/s of top rate, that a turn takes to start and to stop."""
    (x, y, z), size, _ = _torque(vehicle, place, before, after)
    thrust = thrust_for_torque(vehicle, place, (x, y, z)) + thrust_for_torque(vehicle, place, (-x, -y, -z))
    return size * thrust / (vehicle.gas.specific_impulse * STANDARD_GRAVITY)


def _torque(vehicle: Vehicle, place: Place, before: PlannedPose, after: PlannedPose) -> tuple[Direction, float, float]:
    """Direction of the torque that starts a turn, its size per angular acceleration kg·m², and the angle rad."""
    axis, angle = turn(before, after)
    needed = vehicle.mass_properties(place).inertia_tensor() @ axis
    if place == "table":
        needed[:2] = 0.0  # which the floor gives
    size = float(np.linalg.norm(needed))
    x, y, z = needed / size
    return (float(x), float(y), float(z)), size, angle


def move(before: PlannedPose, after: PlannedPose) -> tuple[Direction, float]:
    """Direction of a straight move in base_link, a unit vector, and its length m."""
    way = np.array(after.position) - np.array(before.position)
    distance = float(np.linalg.norm(way))
    if distance == 0.0:
        return (1.0, 0.0, 0.0), 0.0
    return rotate_inverse(before.orientation, tuple(way / distance)), distance


def turn(before: PlannedPose, after: PlannedPose) -> tuple[Direction, float]:
    """Axis of the short turn from one attitude to another in base_link, a unit vector, and its angle rad."""
    vector = to_rotation_vector(multiply(conjugate(before.orientation), after.orientation))
    angle = math.hypot(*vector)
    return (0.0, 0.0, 1.0) if angle == 0.0 else (vector[0] / angle, vector[1] / angle, vector[2] / angle), angle
