"""A track: timed points joined by cubic Hermite curves, at rest at both ends.

At inner points the velocity is the central difference of the neighbours (Catmull and Rom, 1974), so the velocity is
continuous.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import messages, rotation

MAX_KNOTS: Final = messages.MAX_WAYPOINTS + 1
"""The waypoints, and before them the pose at the start."""

LEAST_INTERVAL: Final = 1e-3
"""Shortest time between two points that is divided by, s."""

TRACK: Final = np.dtype(
    [
        ("count", "i8"),
        ("time", "f8", (MAX_KNOTS,)),
        ("value", "f8", (MAX_KNOTS, 4)),
        ("slope", "f8", (MAX_KNOTS, 4)),
    ],
    align=True,
)
"""Times s after the maneuver's start; values x, y, z m and heading rad (unwrapped); slopes per s."""


@njit(cache=True)
def add(track: Any, time: float, x: float, y: float, z: float, heading: float) -> None:
    """Append a point; its heading is taken to the turn nearest to that of the point before."""
    k = track.count
    if k > 0:
        before = track.value[k - 1, 3]
        heading -= 2.0 * math.pi * round((heading - before) / (2.0 * math.pi))
    track.time[k] = time
    track.value[k, 0], track.value[k, 1], track.value[k, 2], track.value[k, 3] = x, y, z, heading
    track.count = k + 1


@njit(cache=True)
def smooth(track: Any) -> None:
    """Set the slopes once all points are there."""
    last = track.count - 1
    for k in range(track.count):
        for i in range(4):
            track.slope[k, i] = 0.0
            if 0 < k < last:
                interval = max(track.time[k + 1] - track.time[k - 1], LEAST_INTERVAL)
                track.slope[k, i] = (track.value[k + 1, i] - track.value[k - 1, i]) / interval


@njit(cache=True)
def follow(track: Any, time: float, motion: Any) -> None:
    """Fill `motion` with the pose and twist at `time` s after the maneuver's start; at rest outside the track."""
    last = track.count - 1
    k = 0
    while k < last - 1 and track.time[k + 1] <= time:
        k += 1
    interval = max(track.time[k + 1] - track.time[k], LEAST_INTERVAL)
    u = min(max((time - track.time[k]) / interval, 0.0), 1.0)
    heading, turn_rate = 0.0, 0.0
    for i in range(4):
        a, b = track.value[k, i], track.value[k + 1, i]
        da, db = track.slope[k, i] * interval, track.slope[k + 1, i] * interval
        value = a + (b - a) * u * u * (3.0 - 2.0 * u) + u * (1.0 - u) * (da * (1.0 - u) - db * u)
        slope = 6.0 * (b - a) * u * (1.0 - u) + da * (1.0 - u) * (1.0 - 3.0 * u) + db * u * (3.0 * u - 2.0)
        if i < 3:
            motion.position[i], motion.velocity[i] = value, slope / interval
        else:
            heading, turn_rate = value, slope / interval
    q = motion.orientation
    q[0], q[1], q[2], q[3] = rotation.from_heading(heading)
    motion.rate[0] = motion.rate[1] = 0.0
    motion.rate[2] = turn_rate
