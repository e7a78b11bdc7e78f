"""Where a vehicle on the table ends up when its valves stay closed."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from transforms3d.quaternions import rotate_vector

from testbed.description.table import Table


@dataclass(frozen=True)
class Coast:
    """Where the coast ends: at the edge after `time` s, or at rest on the table (`time` None). Position x, y in m."""

    x: float
    y: float
    time: float | None


def coast(odometry: Any, table: Table, radius: float) -> Coast:
    """Predict a coast from a messages.ODOMETRY record.

    A straight path slowed by the air film alone, s(t) = v·τ·(1 - exp(-t/τ)); tilt and other vehicles are left out. The
    vehicle, a disc of `radius` m, touches the edge of a convex outline when its centre is `radius` away from it.
    """
    x, y = (float(value) for value in odometry["position"][:2])
    qx, qy, qz, qw = odometry["orientation"]
    vx, vy, _ = (float(value) for value in rotate_vector(odometry["linear_velocity"], (qw, qx, qy, qz)))
    speed = math.hypot(vx, vy)
    reach = speed * table.film_drag_time
    if reach < 1e-6:
        return Coast(x, y, None)
    free = reach
    for (ax, ay), (bx, by) in zip(table.outline, (*table.outline[1:], table.outline[0]), strict=True):
        length = math.hypot(bx - ax, by - ay)
        inward = -(by - ay) / length, (bx - ax) / length
        approach = -(vx * inward[0] + vy * inward[1]) / speed
        distance = (x - ax) * inward[0] + (y - ay) * inward[1] - radius
        if approach > 1e-9:
            free = min(free, max(0.0, distance / approach))
    time = None if free >= reach else -table.film_drag_time * math.log1p(-free / reach)
    return Coast(x + free * vx / speed, y + free * vy / speed, time)
