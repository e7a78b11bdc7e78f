"""Whether a vehicle stands where a try is to begin."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from testbed.flight.guard.outlook import SIGMAS
from testbed.plan.abort import has_fix
from testbed.plan.configuration import Configuration
from testbed.plan.geometry import angles_deg
from testbed.plan.poses import PlannedPose
from testbed.plan.separation import company


@dataclass(frozen=True)
class Tolerance:
    """How near and how still is good enough; by the vehicle's own estimate."""

    distance: float
    angle_deg: float
    speed: float
    rate_deg: float
    deviation: float
    """Largest standard deviation of the position that the estimator admits to, m."""
    speed_deviation: float = math.inf
    """And of the velocity, m/s."""


PLACED: Final = Tolerance(distance=0.10, angle_deg=8.0, speed=0.05, rate_deg=4.0, deviation=0.05)
"""Put there and found by the estimator; the vehicle may now fire to hold itself."""
SETTLED: Final = Tolerance(distance=0.05, angle_deg=4.0, speed=0.02, rate_deg=2.0, deviation=0.03)
"""Held well enough to begin."""
POSITIONING_LIMIT: Final = 60.0
"""A try whose vehicles are not in place within this time fails, s; the same again for settling."""
STILL_SPEED: Final = 0.015
STILL_RATE_DEG: Final = 2.0


def placed(configuration: Configuration) -> Tolerance:
    """PLACED, and where safety filters fly along as sure as they are told: before that they guarantee nothing."""
    if company(configuration, next(iter(configuration.vehicles))) is None:
        return PLACED
    stated = configuration.plan.limits.separation
    deviation = min(PLACED.deviation, stated.position_error / SIGMAS)
    return replace(PLACED, deviation=deviation, speed_deviation=stated.velocity_error / SIGMAS)


def missing(odometry: Any, pose: PlannedPose, tolerance: Tolerance, dimensions: int) -> str | None:
    """What a vehicle with this messages.ODOMETRY record (None: none yet) lacks to be in place; None if nothing."""
    if odometry is None or not has_fix(odometry):
        return "has no fix"
    variance = odometry["pose_covariance"]
    if math.sqrt(max(0.0, *(float(variance[axis, axis]) for axis in range(dimensions)))) > tolerance.deviation:
        return "is not sure where it is"
    variance = odometry["twist_covariance"]
    if math.sqrt(max(0.0, *(float(variance[axis, axis]) for axis in range(dimensions)))) > tolerance.speed_deviation:
        return "is not sure how fast it is"
    distance = math.dist(odometry["position"][:dimensions], pose.position[:dimensions])
    if not distance <= tolerance.distance:  # so that no number is never in place
        return f"is {distance:.2f} m away"
    angle = float(angles_deg(np.array([odometry["orientation"]]), np.array(pose.orientation))[0])
    if not angle <= tolerance.angle_deg:
        return f"is turned by {angle:.0f}°"
    return None if still(odometry, tolerance.speed, tolerance.rate_deg) else "still moves"


def still(odometry: Any, speed: float = STILL_SPEED, rate_deg: float = STILL_RATE_DEG) -> bool:
    """Whether a vehicle with this messages.ODOMETRY record moves slower than this (m/s, degrees/s)."""
    velocity, rate = odometry["linear_velocity"], odometry["angular_velocity"]
    return math.hypot(*velocity) <= speed and math.degrees(math.hypot(*rate)) <= rate_deg
