"""What is asked of the planner: who is where, where each is to go, and what must be kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.trajectories import Motion
from testbed.flight.formation.zones import Area, Zone

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Limits:
    """Of one vehicle: largest planned acceleration in any direction, m/s², and speed, m/s.

    The acceleration is a share of what the valves give, so that feedback and disturbances have the rest.
    """

    acceleration: float
    speed: float


@dataclass(frozen=True)
class Keeping:
    """Distances to keep, m.

    required: centre to centre, never less by the truth; body: required of a centre to a zone; margin: what plans add
    between two vehicles for both of their errors together, and half of it to a zone; spare: what they add to that
    between two vehicles where there is room, and half of it to a zone, which leaves time to replan for one that lags;
    undisturbed: what a safety filter leaves alone, centre to centre, which plans keep, too; edge: how far from the edge
    of the area plans stay where they can, so that the guard, which keeps vehicles inside, leaves them alone.
    """

    required: float
    margin: float
    body: float = 0.0
    spare: float = 0.0
    undisturbed: float = 0.0
    edge: float = 0.0

    @property
    def wanted(self) -> float:
        """Distance centre to centre that plans keep where they can."""
        return self.planned + self.spare

    @property
    def planned(self) -> float:
        """Distance centre to centre that plans keep."""
        return max(self.required + self.margin, self.undisturbed)

    @property
    def clearance(self) -> float:
        """Distance of a centre to a zone that plans keep."""
        return self.body + 0.5 * self.margin

    @property
    def wanted_clearance(self) -> float:
        """Distance of a centre to a zone that plans keep where they can."""
        return self.clearance + 0.5 * self.spare


@dataclass(frozen=True)
class Task:
    """A reconfiguration of V vehicles that begins at `time` s.

    positions and velocities (V, 3) at `time`, m and m/s, fixed frame; goals: one motion per vehicle, to be met in
    position and velocity at the end; others: bodies that are not planned for. `axes`: the translations that are free,
    (0, 1) on a table; along the others a vehicle stays. Area and zones are given along these axes. It is to take
    `duration` s, or, without one, as little as is found possible but at least `least` s. in_vain: how often it was
    planned before without finding any way; then the search begins elsewhere.
    """

    time: float
    positions: Array
    velocities: Array
    goals: tuple[Motion, ...]
    limits: tuple[Limits, ...]
    keeping: Keeping
    area: Area
    zones: tuple[Zone, ...] = ()
    others: tuple[Motion, ...] = ()
    axes: tuple[int, ...] = (0, 1)
    duration: float | None = None
    least: float = 0.0
    in_vain: int = 0

    @property
    def count(self) -> int:
        """Number of vehicles."""
        return len(self.positions)

    def arrival(self, duration: float) -> tuple[Array, Array]:
        """Positions and velocities (V, 3) of the goals `duration` s after the start; held axes stay as they are."""
        states = [goal.at(np.array([self.time + duration])) for goal in self.goals]
        positions, velocities = self.positions.copy(), np.zeros_like(self.velocities)
        for k in self.axes:
            positions[:, k] = [one[0][0, k] for one in states]
            velocities[:, k] = [one[1][0, k] for one in states]
        return positions, velocities

    def departure(self) -> tuple[Array, Array]:
        """Positions and velocities (V, 3) at the start, without speed along held axes."""
        velocities = np.zeros_like(self.velocities)
        velocities[:, self.axes] = self.velocities[:, self.axes]
        return self.positions, velocities
