"""Where a vehicle is while it flies a formation as the plan expects it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation import Outcome, Trajectories, Turn
from testbed.flight.formation.trajectories import Motion

Array = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Sampled:
    """A motion as known at times (K,) s, K > 2: positions m, velocities m/s, accelerations m/s², (K, 3).

    Straight between the times; before the first and after the last it rests where it is then.
    """

    times: Array
    positions: Array
    velocities: Array
    accelerations: Array

    @classmethod
    def through(cls, times: Array, positions: Array) -> Self:
        """Through positions; what changes from one time to the next is spread over both."""
        velocities = np.gradient(positions, times, axis=0, edge_order=2)
        return cls(times, positions, velocities, np.gradient(velocities, times, axis=0, edge_order=2))

    @classmethod
    def following(cls, trajectories: Trajectories, vehicle: int, times: Array) -> Self:
        """On one of a plan's trajectories; as Trajectories.at, for many times at once."""
        k = np.clip(np.searchsorted(trajectories.times, times, side="right") - 1, 0, len(trajectories.times) - 2)
        t = (times - trajectories.times[k])[:, None]
        p, v = trajectories.positions[vehicle, k], trajectories.velocities[vehicle, k]
        a = trajectories.accelerations[vehicle, k]
        there = trajectories.goals[vehicle].at(times)
        arrived = (times >= trajectories.end)[:, None]
        on_the_way = (p + v * t + 0.5 * a * t * t, v + a * t, a)
        positions, velocities, accelerations = (
            np.where(arrived, last, first) for last, first in zip(there, on_the_way, strict=True)
        )
        return cls(times, positions, velocities, accelerations)

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """As flight.formation.trajectories.Motion."""
        inside = ((times >= self.times[0]) & (times <= self.times[-1]))[:, None]
        positions, velocities, accelerations = (
            np.column_stack([np.interp(times, self.times, values[:, k]) for k in range(3)])
            for values in (self.positions, self.velocities, self.accelerations)
        )
        return positions, inside * velocities, inside * accelerations

    def position(self, time: float) -> tuple[float, float, float]:
        """Position at a time, m."""
        x, y, z = (float(np.interp(time, self.times, self.positions[:, k])) for k in range(3))
        return x, y, z

    def effort(self) -> float:
        """All acceleration added up, m/s: the Δv that it takes at least."""
        size = np.linalg.norm(self.accelerations, axis=1)
        return float(np.sum(0.5 * (size[1:] + size[:-1]) * np.diff(self.times)))


@dataclass(frozen=True, eq=False)
class Way:
    """The way to a place and in it while a maneuver lasts; times in s after the try began.

    place: the motion of the place itself; arrives: when the vehicle is in it, turn and all; outcome: how the way was
    found, None where the vehicle was in its place from the beginning.
    """

    motion: Sampled
    place: Motion
    turn: Turn
    arrives: float
    outcome: Outcome | None

    def orientation(self, time: float) -> tuple[float, float, float, float]:
        """Orientation at a time."""
        x, y, z, w = self.turn.at(time)[0].tolist()
        return x, y, z, w
