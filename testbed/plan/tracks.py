"""The curve of a track through its waypoints, as guidance flies it: cubic pieces, at rest at both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicHermiteSpline

from testbed.description.rotation import heading
from testbed.plan.maneuvers import Track
from testbed.plan.poses import PlannedPose


@dataclass(frozen=True)
class Curve:
    """Times s after the maneuver's start, shape (n,); x, y, z m and heading rad over time."""

    times: NDArray[np.float64]
    spline: CubicHermiteSpline

    def position(self, time: float) -> tuple[float, float, float]:
        """Position at a time, at rest outside the track, m."""
        x, y, z, _ = self.spline(min(max(time, self.times[0]), self.times[-1]))
        return float(x), float(y), float(z)

    def heading(self, time: float) -> float:
        """Heading at a time, rad."""
        return float(self.spline(min(max(time, self.times[0]), self.times[-1]))[3])

    def acceleration(self, time: float) -> NDArray[np.float64]:
        """Acceleration at a time, shape (3,) m/s²; zero outside the track."""
        inside = self.times[0] <= time <= self.times[-1]
        return np.asarray(self.spline(time, 2)[:3]) if inside else np.zeros(3)


@lru_cache(maxsize=256)
def curve(step: Track, before: PlannedPose) -> Curve:
    """Through the pose before, unless the first waypoint is due at once, and the waypoints.

    Slopes are central differences (Catmull and Rom, 1974), zero at both ends; headings go the short way.
    """
    x, y, height = before.position
    points = [] if step.waypoints[0].time == 0.0 else [(0.0, x, y, height, heading(before.orientation))]
    for point in step.waypoints:
        z = height if point.z is None else point.z
        points.append((point.time, point.x, point.y, z, math.radians(point.heading_deg)))
    table = np.array(points)
    table[:, 4] = np.unwrap(table[:, 4])
    times, values = table[:, 0], table[:, 1:]
    slopes = np.zeros_like(values)
    slopes[1:-1] = (values[2:] - values[:-2]) / (times[2:] - times[:-2])[:, None]
    return Curve(times, CubicHermiteSpline(times, values, slopes))
