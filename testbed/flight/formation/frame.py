"""The frame that a formation is given in: a point, a leader, or anything that moves and turns steadily."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

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
        arm = self.frame.turned(times).apply(np.array(self.position)).reshape(-1, 3)
        rate = np.array(self.frame.rate)
        turning = np.cross(rate, arm)
        velocity = np.array(self.frame.velocity)
        centre = np.array(self.frame.position) + np.outer(times - self.frame.time, velocity)
        return centre + arm, velocity + turning, np.cross(rate, turning)

    def orientations(self, times: Array) -> Rotation:
        """Orientation of a vehicle in the slot at `times` (K,), s."""
        return self.frame.turned(times) * Rotation.from_quat(self.orientation)
