"""Attitude on the way to a slot: from what it is to what the slot asks, smoothly, while the frame may turn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description import rotation
from testbed.flight.formation.frame import Slot

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Turn:
    """From `orientation` (quaternion) and `rate` (3,) rad/s along body axes at `time` s to the slot's, in `duration` s.

    What is left to turn is a rotation vector d seen from the slot; it goes to zero along a cubic Hermite curve whose
    slope at the start gives the rate, and at the end zero.
    """

    slot: Slot
    orientation: tuple[float, float, float, float]
    rate: tuple[float, float, float]
    time: float
    duration: float

    def at(self, time: float) -> tuple[Array, Array]:
        """Orientation (4,) and rate (3,) rad/s along body axes at `time` s; with the slot from the end on."""
        orientations, rates = self.during(np.array([time]))
        return orientations[0], rates[0]

    def during(self, times: Array) -> tuple[Array, Array]:
        """The same at `times` (K,) s: (K, 4) and (K, 3)."""
        left, slope = self._left(times)
        turned = self.slot.orientations(times) * Rotation.from_rotvec(left)
        own = [rotation.rate_of(*one) for one in zip(left, slope, strict=True)]
        return turned.as_quat(), np.array(own) + turned.inv().apply(self.slot.frame.rate)

    @property
    def angle(self) -> float:
        """How far it is to turn, rad."""
        return float(np.linalg.norm(self._begun[0]))

    def _left(self, times: Array) -> tuple[Array, Array]:
        """What is left to turn, rad, and its slope, rad/s, at `times` (K,) s; (K, 3) each."""
        u = np.clip((times - self.time) / self.duration, 0.0, 1.0)[:, None]
        left, slope = self._begun
        value = left * (1.0 + 2.0 * u) * (1.0 - u) ** 2 + slope * self.duration * u * (1.0 - u) ** 2
        change = -6.0 * u * (1.0 - u) * left / self.duration + slope * (1.0 - u) * (1.0 - 3.0 * u)
        return value, change

    @cached_property
    def _begun(self) -> tuple[Array, Array]:
        """The same at the start, (3,) each."""
        slot = self.slot.orientations(np.array([self.time]))[0]
        begun = Rotation.from_quat(self.orientation)
        left: Array = (slot.inv() * begun).as_rotvec()
        own: Array = np.array(self.rate) - begun.inv().apply(self.slot.frame.rate)
        return left, np.array(rotation.slope_of(left, own))
