"""Places of a formation in its own frame: a line, a ring, or any list."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.frame import Frame, Slot

Array = NDArray[np.float64]


def line(count: int, spacing: float, direction: tuple[float, float, float] = (1.0, 0.0, 0.0)) -> Array:
    """`count` places along `direction`, `spacing` m apart, about the origin; shape (count, 3)."""
    along = np.array(direction) / np.linalg.norm(direction)
    return np.outer((np.arange(count) - 0.5 * (count - 1)) * spacing, along)


def ring(count: int, spacing: float) -> Array:
    """`count` places on a circle about z, the first on x, neighbours `spacing` m apart (chord); shape (count, 3)."""
    if count == 1:
        return np.zeros((1, 3))
    radius = 0.5 * spacing / math.sin(math.pi / count)
    angles = 2.0 * math.pi * np.arange(count) / count
    return radius * np.column_stack([np.cos(angles), np.sin(angles), np.zeros(count)])


def carried(frame: Frame, places: Array | Sequence[Sequence[float]]) -> tuple[Slot, ...]:
    """The slots of `frame` at `places`, shape (S, 3), m in the frame."""
    return tuple(Slot(frame, (float(x), float(y), float(z))) for x, y, z in places)


def least_spacing(places: Array) -> float:
    """Smallest distance between two of `places`, shape (S, 3), m; infinite for one."""
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    return float(np.min(apart[np.triu_indices(len(places), 1)], initial=math.inf))


def fastest(slots: Sequence[Slot]) -> float:
    """Largest speed that a vehicle needs to stay in its slot of a frame that moves and turns steadily, m/s.

    The velocity v + w × r has the steady part along w and a part across that turns with the frame.
    """
    speeds = [0.0]
    for slot in slots:
        rate, arm, velocity = np.array(slot.frame.rate), np.array(slot.position), np.array(slot.frame.velocity)
        turn = float(np.linalg.norm(rate))
        if turn == 0.0:
            speeds.append(float(np.linalg.norm(velocity)))
            continue
        axis = rate / turn
        arm = slot.frame.turned(np.array([slot.frame.time])).apply(arm).reshape(3)
        along = float(velocity @ axis)
        across = float(np.linalg.norm(velocity - along * axis)) + float(np.linalg.norm(np.cross(rate, arm)))
        speeds.append(math.hypot(along, across))
    return max(speeds)
