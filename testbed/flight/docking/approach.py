"""Closing in along the port's axis: the slower the nearer, within a cone, through a gate just before contact."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

SLOWING: Final = 0.12
"""Closing speed per gap beyond that of contact, 1/s."""
EASING: Final = 0.006
"""Change of the closing speed at most, m/s²."""
GATE: Final = 0.04
"""Gap at which errors have to be small, m: nearer, at contact speed, there is no time left to mend them."""
COMMITTED: Final = 0.015
"""Gap from which on it is gone through with: to stop then would touch too slowly to latch, m."""
BEYOND: Final = -0.03
"""Gap of the reference at which ports that have not latched have missed, m."""
CONE_HALF_WIDTH: Final = 0.75
"""Of what the ports admit aside, at no gap."""
CONE_SPREAD: Final = 0.15
"""Beyond it per metre of gap."""
CONE_ANGLE: Final = 0.75
"""Of the angle that the ports admit, at no gap."""
CONE_ANGLE_SPREAD: Final = math.radians(25.0)
"""Beyond it per metre of gap, rad/m."""
TOO_FAST: Final = 0.02
"""Faster than wanted by this, a closing speed is given up, m/s."""
FINE: Final = 0.55
"""Share of what the ports admit within which an error counts as small."""


@njit(cache=True)
def wanted_closing(p: Any, gap: float) -> float:
    """Closing speed at a gap, m/s."""
    return min(p.contact_speed + SLOWING * max(gap - GATE, 0.0), p.approach_speed)


@njit(cache=True)
def close_in(p: Any, s: Any, time: float, pause: bool) -> None:
    """Move the reference of gap and closing speed on by `time` s; `pause`: to a stop, if it is not too late."""
    wanted = wanted_closing(p, s.gap)
    gated = s.gap <= GATE and not fine(p, s)
    if (pause or gated) and s.gap > COMMITTED:
        wanted = 0.0
    change = (wanted - s.closing) / max(time, 1e-3)
    s.easing = min(max(change, -EASING), EASING)
    s.gap -= time * (s.closing + 0.5 * time * s.easing)
    s.closing += time * s.easing


@njit(cache=True)
def fine(p: Any, s: Any) -> bool:
    """Whether the errors are as small as they should be at contact."""
    return bool(
        s.seen_lateral < FINE * p.lateral
        and s.seen_angle < FINE * p.angle
        and s.seen_slip < FINE * p.slip
        and s.seen_rate < FINE * p.rate_difference
    )


@njit(cache=True)
def in_corridor(p: Any, s: Any) -> bool:
    """Whether the vehicle is where it may go on to close in."""
    gap = max(s.seen_gap, 0.0)
    return bool(
        s.seen_lateral <= CONE_HALF_WIDTH * p.lateral + CONE_SPREAD * gap
        and s.seen_angle <= CONE_ANGLE * p.angle + CONE_ANGLE_SPREAD * gap
    )


@njit(cache=True)
def too_fast(p: Any, s: Any) -> bool:
    """Whether it closes in faster than the gap allows."""
    return bool(s.seen_closing > wanted_closing(p, max(s.seen_gap, 0.0)) + TOO_FAST)
