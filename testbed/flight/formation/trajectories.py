"""Trajectories of all vehicles at once: arcs of constant acceleration from knot to knot, then the goals' motion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

ROUNDING: Final = 1e-9
"""By what share of a step rounding may lengthen a stretch that is a whole number of steps."""


class Motion(Protocol):
    """Something whose motion is known: a slot, or a body that is not planned for."""

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """Positions m, velocities m/s, accelerations m/s² in the fixed frame at `times` (K,) s, each (K, 3)."""
        ...


@dataclass(frozen=True)
class Coasting:
    """A body that keeps the velocity it had at `time` s; m, m/s."""

    position: Array
    velocity: Array
    time: float = 0.0

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """As Motion."""
        velocity = np.broadcast_to(self.velocity, (len(times), 3))
        return self.position + np.outer(times - self.time, self.velocity), velocity, np.zeros((len(times), 3))


@dataclass(frozen=True)
class Trajectories:
    """Knots of V vehicles: times (N + 1,) s; positions and velocities (V, N + 1, 3), m and m/s, in the fixed frame.

    accelerations (V, N, 3), m/s², hold from knot to knot; so a cubic Hermite curve through the knots is the trajectory
    exactly. From the last knot on, each vehicle is to move as `goals`, one per vehicle, which it has met there.
    """

    times: Array
    positions: Array
    velocities: Array
    accelerations: Array
    goals: tuple[Motion, ...]

    @property
    def end(self) -> float:
        """Time of the last knot, s."""
        return float(self.times[-1])

    def at(self, time: float) -> tuple[Array, Array, Array]:
        """Positions, velocities and accelerations of all vehicles at one time, each (V, 3)."""
        positions, velocities, accelerations = self.during(np.array([time]))
        return positions[:, 0], velocities[:, 0], accelerations[:, 0]

    def during(self, times: Array) -> tuple[Array, Array, Array]:
        """The same at `times` (K,) s, each (V, K, 3)."""
        late = times >= self.times[-1]
        if late.all():
            return self._beyond(times)
        k = np.clip(np.searchsorted(self.times, times, side="right") - 1, 0, len(self.times) - 2)
        t = (np.maximum(times, self.times[0]) - self.times[k])[:, None]
        p, v, a = self.positions[:, k], self.velocities[:, k], self.accelerations[:, k]
        states = p + v * t + 0.5 * a * t * t, v + a * t, a
        if late.any():
            for state, beyond in zip(states, self._beyond(times[late]), strict=True):
                state[:, late] = beyond
        return states

    def _beyond(self, times: Array) -> tuple[Array, Array, Array]:
        """The same from the last knot on."""
        moving = np.array([goal.at(times) for goal in self.goals])
        return moving[:, 0], moving[:, 1], moving[:, 2]

    def points(self, until: float, step: float, begin: float | None = None) -> tuple[Array, Array, Array, Array]:
        """Points for a message that lasts to `until` s: the knots, then the goals' motion every `step` s or closer.

        From `begin` s on, if given, else from the first knot. Times (K,) s; positions m, velocities m/s and
        accelerations m/s² just after them, (V, K, 3).
        """
        knots = self.times if begin is None else np.append(begin, self.times[self.times > begin])
        last = float(knots[-1])
        beyond = max(int(np.ceil((until - last) / step - ROUNDING)), 0)
        times = np.append(knots, last + (until - last) * np.arange(1, beyond + 1) / max(beyond, 1))
        return times, *self.during(times)

    def sampled(self, step: float) -> tuple[Array, Array]:
        """Times (S,) from the first knot to the last, at most `step` s apart, and positions (V, S, 3)."""
        lengths = np.diff(self.times)
        per = max(int(np.ceil(np.max(lengths) / step - ROUNDING)), 1)
        t = np.arange(per) * (lengths / per)[:, None]
        p, v, a = self.positions[:, :-1, None], self.velocities[:, :-1, None], self.accelerations[:, :, None]
        t_ = t[None, :, :, None]
        inner = (p + v * t_ + 0.5 * a * t_ * t_).reshape(len(self.positions), len(lengths) * per, 3)
        times = (self.times[:-1, None] + t).ravel()
        return np.append(times, self.times[-1]), np.concatenate([inner, self.positions[:, -1:]], axis=1)


@dataclass(frozen=True)
class Followed:
    """The motion of a vehicle on its trajectory."""

    trajectories: Trajectories
    vehicle: int

    def at(self, times: Array) -> tuple[Array, Array, Array]:
        """As Motion."""
        positions, velocities, accelerations = self.trajectories.during(times)
        return positions[self.vehicle], velocities[self.vehicle], accelerations[self.vehicle]


def from_control_points(
    times: Array, points: Array, start: tuple[Array, Array], end: tuple[Array, Array], goals: tuple[Motion, ...]
) -> Trajectories:
    """Trajectories whose arc in interval k is the Bézier curve of knot k, points[:, k] and knot k + 1.

    `times` (N + 1,) s, evenly spaced; `points` (V, N, 3) m; `start` and `end`: positions and velocities, each (V, 3).
    Knots are the means of neighbouring points: a quadratic B-spline, whose velocity is continuous (de Boor).
    """
    length = times[1] - times[0]
    inner = 0.5 * (points[:, :-1] + points[:, 1:])
    positions = np.concatenate([start[0][:, None], inner, end[0][:, None]], axis=1)
    steady = np.diff(points, axis=1) / length
    velocities = np.concatenate([start[1][:, None], steady, end[1][:, None]], axis=1)
    return Trajectories(times, positions, velocities, np.diff(velocities, axis=1) / length, goals)


def resting(position: Array) -> Coasting:
    """A motion that stays at `position`, shape (3,), m."""
    return Coasting(np.array(position, dtype=float), np.zeros(3))
