"""The frame that a formation is given in: a point, a leader, or anything that moves and turns steadily."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Self

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description import rotation

Array = NDArray[np.float64]
ZERO = (0.0, 0.0, 0.0)


@dataclass(frozen=True)
class Frame:
    """Pose at `time` s and steady twist, all in the fixed frame: m, quaternion, m/s, rad/s about fixed axes."""

    position: tuple[float, float, float]
    orientation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 1.0)
    velocity: tuple[float, float, float] = ZERO
    rate: tuple[float, float, float] = ZERO
    time: float = 0.0

    @classmethod
    def at_point(cls, position: tuple[float, float, float], heading: float = 0.0) -> Self:
        """A frame at rest, turned by `heading` rad about z."""
        return cls(position, rotation.from_heading(heading))

    def turned(self, times: Array) -> Rotation:
        """Orientation of the frame at `times`, shape (K,), s."""
        return Rotation.from_rotvec(np.outer(times - self.time, self.rate)) * Rotation.from_quat(self.orientation)


class Helix(NamedTuple):
    """A point that circles about a centre that drifts: centre + drift·t + cos(rate·t)·across + sin(rate·t)·beside.

    t: since the frame's time, s; centre m, drift m/s, across and beside m, all (3,) in the fixed frame; rate rad/s.
    """

    centre: Array
    drift: Array
    across: Array
    beside: Array
    rate: float


@dataclass(frozen=True)
class Slot:
    """A place that a frame carries along: position in the frame, m, and orientation relative to it."""

    frame: Frame
    position: tuple[float, float, float]
    orientation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 1.0)

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """Positions m, velocities m/s and accelerations m/s² in the fixed frame at `times` (K,) s, each (K, 3).

        Of a point r fixed in a frame at c that turns at rate w: c + r, v + w × r and w × (w × r).
        """
        centre, drift, across, beside, rate = self._path
        t = (times - self.frame.time)[:, None]
        cosine, sine = np.cos(rate * t), np.sin(rate * t)
        arm = cosine * across + sine * beside
        turning = rate * (cosine * beside - sine * across)
        return centre + drift * t + arm, drift + turning, -(rate**2) * arm

    @cached_property
    def _path(self) -> Helix:
        """How it moves: only what is across the axis that the frame turns about goes round."""
        frame = self.frame
        arm = np.array(rotation.rotate(np.array(frame.orientation), np.array(self.position, dtype=float)))
        rate = math.hypot(*frame.rate)
        axis = np.array(frame.rate) / rate if rate > 0.0 else np.zeros(3)
        along = (arm @ axis) * axis
        beside = np.array(rotation.cross(axis, arm))
        return Helix(np.array(frame.position) + along, np.array(frame.velocity), arm - along, beside, rate)

    def orientations(self, times: Array) -> Rotation:
        """Orientation of a vehicle in the slot at `times` (K,), s."""
        return self.frame.turned(times) * Rotation.from_quat(self.orientation)
