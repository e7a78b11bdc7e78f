"""What a holder of valves reports: the edges of the last tick, each with the valves that are open right after it.

A valve that is stuck is reported as it is, not as it was told; one that is late, at the time it was told.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import MAX_VALVES, VALVES
from testbed.model.valves import STUCK_CLOSED, STUCK_OPEN

EDGE: Final = VALVES


@njit(cache=True)
def take_edges(vehicle: Any, state: Any, edges: NDArray[np.void]) -> int:
    """Fill rows of EDGE with the edges of the last tick, oldest first; returns how many, at most len(edges).

    Edges of one moment make one row: they were commanded together.
    """
    mask = state.commanded
    for k in range(state.edge_count):
        mask ^= 1 << state.edge_valve[k]
    count = 0
    for k in range(state.edge_count):
        mask ^= 1 << state.edge_valve[k]
        if count == 0 or edges[count - 1].stamp != state.edge_stamp[k]:
            if count == len(edges):
                return count
            count += 1
        _fill(vehicle, mask, state.edge_stamp[k], edges[count - 1])
    return count


@njit(cache=True)
def fill_open(vehicle: Any, state: Any, stamp: int, edge: Any) -> None:
    """Fill one EDGE with the valves that are open now."""
    _fill(vehicle, state.commanded, stamp, edge)


@njit(cache=True)
def _fill(vehicle: Any, commanded: int, stamp: int, edge: Any) -> None:
    edge.stamp = stamp
    for valve in range(MAX_VALVES):
        stuck = vehicle.valve_stuck[valve]
        edge.open[valve] = stuck == STUCK_OPEN or (commanded >> valve & 1 and stuck != STUCK_CLOSED)
