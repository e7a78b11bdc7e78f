"""Where a vehicle is while it flies a formation as the plan expects it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation import Outcome, Turn
from testbed.flight.formation.trajectories import Motion

Array = NDArray[np.float64]

STEP: Final = 0.25
"""Time step at which what a way takes is added up, s."""


@dataclass(frozen=True, eq=False)
class Sampled:
    """A motion through positions (K, 3) m at times (K,) s, K > 1, straight between them; at rest outside."""

    times: Array
    positions: Array

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """As flight.formation.trajectories.Motion; what changes from one time to the next is spread over both."""
        velocities = np.gradient(self.positions, self.times, axis=0)
        accelerations = np.gradient(velocities, self.times, axis=0)
        inside = ((times >= self.times[0]) & (times <= self.times[-1]))[:, None]
        positions, velocities, accelerations = (
            np.column_stack([np.interp(times, self.times, values[:, k]) for k in range(3)])
            for values in (self.positions, velocities, accelerations)
        )
        return positions, inside * velocities, inside * accelerations


@dataclass(frozen=True, eq=False)
class Way:
    """The way to a place and in it; times in s after the try began.

    arrives: when it is in its place; outcome: how the way was found, None where it was in its place from the beginning;
    fastest: largest speed that the place itself moves at, m/s.
    """

    motion: Motion
    turn: Turn
    arrives: float
    outcome: Outcome | None
    fastest: float

    def position(self, time: float) -> tuple[float, float, float]:
        """Position at a time, m."""
        x, y, z = self.motion.at(np.array([time]))[0][0].tolist()
        return x, y, z

    def velocity(self, time: float) -> Array:
        """Velocity at a time, shape (3,) m/s."""
        return np.asarray(self.motion.at(np.array([time]))[1][0])

    def orientation(self, time: float) -> tuple[float, float, float, float]:
        """Orientation at a time."""
        x, y, z, w = self.turn.at(time)[0].tolist()
        return x, y, z, w

    def effort(self, begin: float, end: float) -> float:
        """All acceleration between two times added up, m/s: the Δv that it takes at least."""
        times = np.arange(begin, end, STEP) + 0.5 * STEP
        return float(np.sum(np.linalg.norm(self.motion.at(times)[2], axis=1)) * STEP)
