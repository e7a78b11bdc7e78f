"""Which vehicle takes which slot."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

Array = NDArray[np.float64]


def assign(vehicles: Array, slots: Array, pinned: Mapping[int, int] | None = None) -> NDArray[np.int64]:
    """Slot of each vehicle, shape (V,), that gives the least sum of squared distances.

    `vehicles` (V, 3) and `slots` (S, 3), S >= V, in m in the fixed frame; `pinned`: vehicle to slot, kept as it is.
    Exchanging two of the slots so chosen shortens nothing: (x_i - x_j)·(s_i - s_j) >= 0, so that points that move
    along straight lines at proportional speeds never meet.

    Raises:
        ValueError: fewer slots than vehicles, or two vehicles pinned to one slot.

    """
    pinned = dict(pinned or {})
    if len(slots) < len(vehicles) or len(set(pinned.values())) < len(pinned):
        raise ValueError("every vehicle needs a slot of its own")
    chosen = np.full(len(vehicles), -1, dtype=np.int64)
    for vehicle, slot in pinned.items():
        chosen[vehicle] = slot
    free_vehicles = np.array([v for v in range(len(vehicles)) if v not in pinned], dtype=np.int64)
    free_slots = np.array([s for s in range(len(slots)) if s not in pinned.values()], dtype=np.int64)
    if len(free_vehicles):
        cost = np.sum((vehicles[free_vehicles][:, None] - slots[free_slots][None]) ** 2, axis=2)
        rows, columns = linear_sum_assignment(cost)
        chosen[free_vehicles[rows]] = free_slots[columns]
    return chosen
