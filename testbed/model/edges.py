"""The valve edges of the last tick, each with the valves that are open right after it."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import MAX_VALVES

EDGE: Final = np.dtype([("stamp", "i8"), ("open", "u1", (MAX_VALVES,))], align=True)
"""Valves open right after an edge (stamp ns)."""


@njit(cache=True)
def take_edges(state: Any, edges: NDArray[np.void]) -> int:
    """Fill rows of EDGE with the commanded edges of the last tick, oldest first; returns how many, at most len(edges).

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
        edges[count - 1].stamp = state.edge_stamp[k]
        for valve in range(MAX_VALVES):
            edges[count - 1].open[valve] = (mask >> valve) & 1
    return count


@njit(cache=True)
def fill_open(state: Any, stamp: int, edge: Any) -> None:
    """Fill one EDGE with the valves that are commanded open now."""
    edge.stamp = stamp
    for valve in range(MAX_VALVES):
        edge.open[valve] = (state.commanded >> valve) & 1
