"""Which numbers the guard believes at all."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, Final

from numba import njit

from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.flight.guard.objection import Objection

OLDEST_NS: Final = 100_000_000
"""Age of an odometry beside its wrench up to which it says how the vehicle moves now."""
FARTHEST: Final = 1e4
FASTEST: Final = 1e2
"""Position m, and speed m/s or rate rad/s, beyond which an odometry is a fault."""
LENGTH_TOLERANCE: Final = 1e-3
"""By how much the square of a quaternion's length may differ from one."""


class Known(IntEnum):
    """What an odometry tells."""

    NOTHING = 0
    MOTION = 1
    """How the vehicle moves, but not where it is."""
    ALL = 2


@njit(cache=True)
def refusal(p: Any, wrench: Any) -> int:
    """Objection.NONE, NOT_FINITE or ABSURD."""
    for k in range(3):
        if not (math.isfinite(wrench.force[k]) and math.isfinite(wrench.torque[k])):
            return Objection.NOT_FINITE
    for k in range(3):
        if abs(wrench.force[k]) > p.absurd_force or abs(wrench.torque[k]) > p.absurd_torque:
            return Objection.ABSURD
    return Objection.NONE


@njit(cache=True)
def known(p: Any, odometry: Any, stamp: int) -> int:
    """What the odometry tells of the moment `stamp` (ns); comparisons are such that nan fails them."""
    if not 0 <= stamp - odometry.stamp <= OLDEST_NS:
        return Known.NOTHING
    square = 0.0
    for k in range(4):
        square += odometry.orientation[k] * odometry.orientation[k]
    if not abs(square - 1.0) < LENGTH_TOLERANCE:
        return Known.NOTHING
    for k in range(3):
        if not (abs(odometry.linear_velocity[k]) < FASTEST and abs(odometry.angular_velocity[k]) < FASTEST):
            return Known.NOTHING
    if not certain(p, odometry.twist_covariance):
        return Known.NOTHING
    for k in range(3):
        if not abs(odometry.position[k]) < FARTHEST:
            return Known.MOTION
    return Known.ALL if certain(p, odometry.pose_covariance) else Known.MOTION


@njit(cache=True)
def certain(p: Any, covariance: Any) -> bool:
    """Whether the variances of the active axes are those of something known."""
    found = True
    for k in range(6):
        found = found and (p.active[k] == 0.0 or 0.0 <= covariance[k, k] < 0.5 * UNKNOWN_VARIANCE)
    return found
