"""A transfer: from any relative motion to rest at another place, along a quintic, which is smooth up to acceleration.

With the part u of its time gone, what is left of the way is (1-u)³ (d + (3 d + v) u + (6 d + 3 v + a/2) u²), for the
way d, slope v and curvature a (per u) at the start; with its slope and curvature it is zero at the end.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

TRANSFER: Final = np.dtype(
    [
        ("begun", "i8"),
        ("time", "f8"),
        ("way", "f8", (6,)),
        ("slope", "f8", (6,)),
        ("curvature", "f8", (6,)),
        ("end", "f8", (6,)),
    ],
    align=True,
)
"""begun ns, time s; place m and turn rad: way from the end to the start, its slope and curvature there, per s, and the
end."""


@njit(cache=True)
def begin(one: Any, stamp: int, time: float, start: Any, curvature: NDArray[np.float64], end: Any) -> None:
    """Plan from the RELATIVE `start`, with `curvature` (6,) m/s² and rad/s², to rest at place and turn `end` (6,)."""
    one.begun, one.time = stamp, time
    for k in range(3):
        one.way[k], one.way[3 + k] = start.place[k] - end[k], start.turn[k] - end[3 + k]
        one.slope[k], one.slope[3 + k] = start.speed[k], start.turning[k]
    one.curvature[:] = curvature
    one.end[:] = end


@njit(cache=True)
def follow(one: Any, time: float, relative: Any) -> None:
    """Fill `relative` as it is `time` s after the beginning."""
    u = min(max(time / one.time, 0.0), 1.0)
    for k in range(3):
        place, speed, _ = along(one, k, u)
        turn, turning, _ = along(one, 3 + k, u)
        relative.place[k], relative.speed[k] = one.end[k] + place, speed
        relative.turn[k], relative.turning[k] = one.end[3 + k] + turn, turning


@njit(cache=True)
def along(one: Any, k: int, u: float) -> tuple[float, float, float]:
    """What is left of the way along or about axis k at the part u of the time, its slope and curvature per s."""
    d, v, a = one.way[k], one.slope[k] * one.time, one.curvature[k] * one.time * one.time
    b, c, w = 3.0 * d + v, 6.0 * d + 3.0 * v + 0.5 * a, 1.0 - u
    rest, rest_slope, rest_bend = d + (b + c * u) * u, b + 2.0 * c * u, 2.0 * c
    value = w**3 * rest
    slope = w**3 * rest_slope - 3.0 * w**2 * rest
    bend = w**3 * rest_bend - 6.0 * w**2 * rest_slope + 6.0 * w * rest
    return value, slope / one.time, bend / (one.time * one.time)
