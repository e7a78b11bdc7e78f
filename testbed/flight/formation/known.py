"""What an odometry says that the planner goes by: where a vehicle is and how it moves, in the fixed frame."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Self

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description import rotation
from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.flight.formation.frame import ZERO, Frame
from testbed.flight.formation.trajectories import Coasting

Array = NDArray[np.float64]

STILL: Final = 0.01
"""A vehicle slower than this, m/s, counts as at rest: estimates err by some millimetres per second."""
STILL_RATE: Final = math.radians(0.6)
"""The same of its rate, rad/s."""


@dataclass(frozen=True)
class Known:
    """Position m, velocity m/s and rate rad/s along fixed axes, and orientation, at `time` s."""

    position: Array
    velocity: Array
    orientation: tuple[float, float, float, float]
    rate: Array
    time: float

    @classmethod
    def of(cls, odometry: np.void, time: float) -> Self:
        """Of one messages.ODOMETRY; what hardly moves is at rest."""
        orientation = odometry["orientation"] / np.linalg.norm(odometry["orientation"])
        velocity = rotation.rotate(orientation, odometry["linear_velocity"])
        rate = rotation.rotate(orientation, odometry["angular_velocity"])
        velocity = velocity if math.hypot(*velocity) > STILL else ZERO
        rate = rate if math.hypot(*rate) > STILL_RATE else ZERO
        x, y, z, w = orientation.tolist()
        return cls(odometry["position"].copy(), np.array(velocity), (x, y, z, w), np.array(rate), time)

    @property
    def body_rate(self) -> tuple[float, float, float]:
        """Rate along the vehicle's own axes, rad/s."""
        x, y, z = Rotation.from_quat(self.orientation).inv().apply(self.rate).tolist()
        return x, y, z

    def coasting(self) -> Coasting:
        """As a body that keeps its velocity."""
        return Coasting(self.position, self.velocity, self.time)

    def frame(self, axes: tuple[int, ...]) -> Frame:
        """As a leader's frame; where only translations in the plane are free, it turns about z alone."""
        velocity = np.zeros(3)
        velocity[list(axes)] = self.velocity[list(axes)]
        turn, rate = self.orientation, self.rate
        if len(axes) < 3:
            turn, rate = rotation.from_heading(rotation.heading(turn)), np.array([0.0, 0.0, rate[2]])
        (x, y, z), (u, v, w), (p, q, r) = self.position.tolist(), velocity.tolist(), rate.tolist()
        return Frame((x, y, z), turn, (u, v, w), (p, q, r), self.time)


def fixed(odometry: np.void) -> bool:
    """Whether a messages.ODOMETRY knows where its vehicle is."""
    return bool(odometry["pose_covariance"][0, 0] < 0.5 * UNKNOWN_VARIANCE)
