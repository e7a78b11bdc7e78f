"""The docking permit: for one pair, in one corridor, the minimum is another."""

from __future__ import annotations

import math
from typing import Any

from numba import njit

from testbed.description import rotation


@njit(cache=True)
def minimum(p: Any, s: Any, k: int) -> float:
    """Separation m required of the pair with partner k when the acceleration on trial has acted."""
    least, permit = p.partners[k].minimum, s.permit
    if permit.partner != k or not within(p, s, permit, s.others[k]):
        return least
    return min(least, permit.minimum)


@njit(cache=True)
def keep(p: Any, s: Any, k: int) -> float:
    """Separation m at which the filter sets out to keep it: the minimum and what may go unseen."""
    return p.partners[k].keep - p.partners[k].minimum + minimum(p, s, k)


@njit(cache=True)
def within(p: Any, s: Any, permit: Any, other: Any) -> bool:
    """Whether who docks is in the corridor when the wrench has acted and at its stop, for certain and slow enough."""
    doubt = s.end_doubt + other.doubt
    if permit.own_frame:
        x, off = along(permit, s.ahead.orientation, s.end, other.ahead)
        x_stop, off_stop = along(permit, s.ahead.orientation, s.end, other.stop)
    else:
        x, off = along(permit, other.orientation, other.ahead, s.end)
        x_stop, off_stop = along(permit, other.orientation, other.ahead, s.stop)
    if not (0.0 <= x <= permit.length and off + doubt <= permit.half_width + permit.spread * x):
        return False
    if off_stop + doubt > permit.half_width + permit.spread * max(x_stop, 0.0):
        return False
    closing = 0.0
    axis = rotation.rotate(s.ahead.orientation if permit.own_frame else other.orientation, permit.axis)
    sense = 1.0 if permit.own_frame else -1.0
    for i in range(3):
        closing += sense * axis[i] * (s.pace[i] - other.velocity[i])
    return closing <= permit.speed + permit.speed_per_metre * x


@njit(cache=True)
def along(permit: Any, orientation: Any, body: Any, point: Any) -> tuple[float, float]:
    """Distance m of `point` along the corridor's axis from its apex, and off that axis."""
    seen = rotation.rotate_inverse(orientation, (point[0] - body[0], point[1] - body[1], point[2] - body[2]))
    x, square = 0.0, 0.0
    for i in range(3):
        gap = seen[i] - permit.apex[i]
        x += gap * permit.axis[i]
        square += gap * gap
    return x, math.sqrt(max(square - x * x, 0.0))
