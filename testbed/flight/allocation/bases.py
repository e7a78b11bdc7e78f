"""Optimal bases found before, kept with their inverses: a wrench within the cone of one needs no search.

Which basis is optimal as long as no duty reaches its bound depends on the gas flows alone, not on the wrench: if the
duties x = B⁻¹·w lie between 0 and 1, they are those of least gas. Chvátal, Linear Programming (1983), chapter 10 (from
memory).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.flight.allocation import simplex

KEPT: Final = 8
"""How many are kept; a new one takes the place of the oldest."""
ROUNDING: Final = 1e-12
"""Duties so far below zero count as zero."""

BASES: Final = np.dtype(
    [
        ("count", "i8"),
        ("newest", "i8"),
        ("recent", "i8"),
        ("valve", "i8", (KEPT, simplex.ROWS)),
        ("inverse", "f8", (KEPT, simplex.ROWS, simplex.ROWS)),
        ("columns", "f8", (simplex.ROWS, simplex.ROWS)),
    ],
    align=True,
)
"""recent: the one that served last; valve and inverse: columns of each basis, and B⁻¹; columns: working memory."""


@njit(cache=True)
def recall(p: Any, b: Any, wrench: Any, lost: float, duty: Any) -> bool:
    """Fill `duty` from a kept basis in whose cone `wrench` (scaled rows) lies; False if there is none.

    lost: share of the time that no valve can give.
    """
    for k in range(b.count):
        place = (b.recent + k) % b.count
        if serves(p, b, place, wrench, lost, duty):
            b.recent = place
            return True
    return False


@njit(cache=True)
def serves(p: Any, b: Any, place: int, wrench: Any, lost: float, duty: Any) -> bool:
    """Whether all duties that the basis gives are within their bounds; if so they are in `duty`."""
    for r in range(p.rows):
        value = 0.0
        for k in range(p.rows):
            value += b.inverse[place, r, k] * wrench[k]
        if not -ROUNDING <= value <= max(p.available[b.valve[place, r]] - lost, 0.0):
            return False
        b.columns[0, r] = value
    duty[:] = 0.0
    for r in range(p.rows):
        duty[b.valve[place, r]] = max(b.columns[0, r], 0.0)
    return True


@njit(cache=True)
def keep(p: Any, b: Any, work: Any) -> None:
    """Keep the optimal basis that a search ended with, if it is made of valves alone and no valve is at its bound."""
    for j in range(p.valves):
        if work.at_upper[j] and not work.in_basis[j]:
            return
    for r in range(p.rows):
        if work.basis[r] == simplex.ARTIFICIAL or work.basis[r] == p.valves:
            return
    place = b.count if b.count < KEPT else (b.newest + 1) % KEPT
    if not invert(p, b, work, place):
        return
    for r in range(p.rows):
        b.valve[place, r] = work.basis[r]
    b.count = max(b.count, place + 1)
    b.newest = b.recent = place


@njit(cache=True)
def invert(p: Any, b: Any, work: Any, place: int) -> bool:
    """Put the inverse of the basis in its place, by elimination with the largest pivot of each column; False: singular.

    A place left singular holds nothing but not-a-number, which serves no wrench.
    """
    a, inverse, n = b.columns, b.inverse[place], p.rows
    for r in range(n):
        for k in range(n):
            a[r, k] = p.matrix[r, work.basis[k]]
            inverse[r, k] = 1.0 if r == k else 0.0
    for k in range(n):
        pivot = k
        for r in range(k + 1, n):
            if abs(a[r, k]) > abs(a[pivot, k]):
                pivot = r
        if abs(a[pivot, k]) < simplex.TOLERANCE:
            inverse[:] = np.nan
            return False
        factor = 1.0 / a[pivot, k]
        for j in range(n):
            a[pivot, j], a[k, j] = a[k, j], a[pivot, j] * factor
            inverse[pivot, j], inverse[k, j] = inverse[k, j], inverse[pivot, j] * factor
        for r in range(n):
            if r != k:
                factor = a[r, k]
                for j in range(n):
                    a[r, j] -= factor * a[k, j]
                    inverse[r, j] -= factor * inverse[k, j]
    return True
