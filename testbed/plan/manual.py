"""Goals that a person sends in a manual run: what guidance makes of one, and which it refuses."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from testbed.description.maneuver import Maneuver
from testbed.description.rotation import rotate
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.keep_out import KeepOut
from testbed.plan.maneuvers import RATE_LIMIT_DEG, SPEED_LIMIT

LEVEL_DEG: Final = 1.0
"""On a table a goal may be tilted by so much, as what writes it may not be exact; it is not flown."""
UNIT: Final = 1e-3
"""How far the length of a quaternion may be from one."""


class GoalRefusedError(ValueError):
    """Why guidance does not go there, in a few words."""


def goal_maneuver(
    configuration: Configuration,
    vehicle: str,
    present: Maneuver,
    frame: str,
    position: Sequence[float],
    orientation: Sequence[float],
    stamp: int,
) -> Maneuver:
    """The move to a goal from `stamp` (ns) on, at the default speed and rate of moves or the session's limits if lower.

    present: the maneuver in force, which must be that of a manual run. frame, position (3,) m and orientation
    (x, y, z, w): those of the message; on a table its height does not count.

    Raises:
        GoalRefusedError: not a manual run, another frame, no pose, outside the working area or in a keep-out zone, not
            level on a table.

    """
    if not present.manual:
        raise GoalRefusedError("this is no run of kind manual")
    place, one = configuration.place, configuration.vehicles[vehicle]
    if frame not in ("", place):
        raise GoalRefusedError(f"its frame is {frame}, allowed: {place}")
    if not all(math.isfinite(value) for value in (*position, *orientation)):
        raise GoalRefusedError("it is not finite")
    if abs(math.hypot(*orientation) - 1.0) > UNIT:
        raise GoalRefusedError("its quaternion has not the length one")
    x, y, z = position
    limits = flight_limits(configuration, vehicle)
    for name, value, least, most in zip("xyz", (x, y, z), *limits.work_area, strict=True):
        if not least <= value <= most:
            raise GoalRefusedError(f"{name} is {value:g} m, allowed: {least:g} to {most:g} m, the working area")
    at = np.array([(x, y, z)[: 2 if place == "table" else 3]])
    if (apart := float(KeepOut.of(configuration).clearance(vehicle, at)[0])) < 0.0:
        raise GoalRefusedError(f"the vehicle's body would be {-apart:.2g} m inside a keep-out zone")
    if place == "table":
        z = one.shape.floor_height
        qx, qy, qz, qw = orientation
        upright = rotate((qx, qy, qz, qw), (0.0, 0.0, 1.0))[2]
        if upright < math.cos(math.radians(LEVEL_DEG)):
            raise GoalRefusedError("it is tilted, and the table holds roll and pitch")
    return Maneuver(
        number=present.number,
        run=present.run,
        attempt=present.attempt,
        kind="translate",
        start=stamp,
        expiry=present.expiry,
        position=(x, y, z),
        orientation=(orientation[0], orientation[1], orientation[2], orientation[3]),
        speed_limit=min(SPEED_LIMIT, limits.speed),
        rate_limit=min(math.radians(RATE_LIMIT_DEG), limits.spin),
        manual=True,
    )
