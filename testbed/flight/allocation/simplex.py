"""A bounded-variable primal simplex for the small linear programs of thruster allocation.

Columns 0..n-1 are valve duties, column n is the length of the wrench reached along its direction. The right-hand side
is zero, so the programme starts feasible with every valve closed; each row starts with an artificial variable that is
held at zero and leaves at the first chance. Every iterate is feasible: stopping at the iteration cap is safe.
Method: Chvátal, Linear Programming (1983), chapters 3 and 8 (from memory).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description import messages

ROWS: Final = 6
COLUMNS: Final = messages.MAX_VALVES + 1
ARTIFICIAL: Final = -1

TOLERANCE: Final = 1e-9

SIMPLEX: Final = np.dtype(
    [
        ("tableau", "f8", (ROWS, COLUMNS)),
        ("reduced_cost", "f8", (COLUMNS,)),
        ("upper", "f8", (COLUMNS,)),
        ("lower", "f8", (COLUMNS,)),
        ("value", "f8", (ROWS,)),
        ("basis", "i8", (ROWS,)),
        ("in_basis", "i8", (COLUMNS,)),
        ("at_upper", "i8", (COLUMNS,)),
        ("rows", "i8"),
        ("columns", "i8"),
        ("iterations", "i8"),
        ("iteration_cap", "i8"),
        ("bland_after", "i8"),
    ],
    align=True,
)
"""Working memory: tableau B⁻¹A, bounds, values of the basic variables, and at which bound the others are.

The iterations of both stages together stop at `iteration_cap`; from `bland_after` on the entering variable is the first
that improves (Bland's rule), which cannot cycle.
"""


@njit(cache=True)
def minimise(w: Any) -> bool:
    """Run from the present feasible basis to the least cost; False if the iteration cap came first (still feasible)."""
    while True:
        column = entering(w)
        if column < 0:
            return True
        if w.iterations >= w.iteration_cap:
            return False
        w.iterations += 1
        step(w, column)


@njit(cache=True)
def entering(w: Any) -> int:
    """Column whose change lowers the cost: the steepest, later the first (Bland); -1 at the optimum."""
    best, found = TOLERANCE, -1
    for j in range(w.columns):
        if w.in_basis[j] or w.upper[j] <= w.lower[j]:
            continue
        gain = w.reduced_cost[j] if w.at_upper[j] else -w.reduced_cost[j]
        if gain > best:
            found = j
            if w.iterations >= w.bland_after:
                return found
            best = gain
    return found


@njit(cache=True)
def step(w: Any, column: int) -> None:
    """Move one non-basic variable until it or a basic one meets a bound; in the latter case exchange them."""
    sign = -1.0 if w.at_upper[column] else 1.0
    length = w.upper[column] - w.lower[column]
    leaving, to_upper, size, rounding = -1, False, 0.0, TOLERANCE
    for r in range(w.rows):
        rounding = max(rounding, TOLERANCE * abs(w.tableau[r, column]))
    for r in range(w.rows):
        slope = -sign * w.tableau[r, column]
        if abs(slope) <= rounding:
            continue
        j = w.basis[r]
        lower = 0.0 if j == ARTIFICIAL else w.lower[j]
        upper = 0.0 if j == ARTIFICIAL else w.upper[j]
        room = max(upper - w.value[r] if slope > 0.0 else w.value[r] - lower, 0.0) / abs(slope)
        tie = room <= length + 1e-12 and leaving >= 0
        if room < length - 1e-12 or (tie and preferred(w, j, abs(slope), w.basis[leaving], size)):
            length, leaving, to_upper, size = min(room, length), r, slope > 0.0, abs(slope)
    for r in range(w.rows):
        w.value[r] -= sign * length * w.tableau[r, column]
    if leaving < 0:
        w.at_upper[column] = 1 - w.at_upper[column]
        return
    start = w.upper[column] if w.at_upper[column] else w.lower[column]
    j = w.basis[leaving]
    if j != ARTIFICIAL:
        w.in_basis[j] = 0
        w.at_upper[j] = to_upper
    w.basis[leaving] = column
    w.in_basis[column] = 1
    w.value[leaving] = start + sign * length
    eliminate(w, leaving, column)


@njit(cache=True)
def preferred(w: Any, candidate: int, size: float, present: int, present_size: float) -> bool:
    """Which of two tied variables leaves: an artificial one, else the larger pivot, later the lower index (Bland)."""
    if (candidate == ARTIFICIAL) != (present == ARTIFICIAL):
        return candidate == ARTIFICIAL
    if w.iterations >= w.bland_after and candidate != ARTIFICIAL:
        return candidate < present
    return size > present_size


@njit(cache=True)
def eliminate(w: Any, row: int, column: int) -> None:
    """Pivot: make `column` the unit vector of `row` in the tableau, and zero in the costs."""
    inverse = 1.0 / w.tableau[row, column]
    for j in range(w.columns):
        w.tableau[row, j] *= inverse
    for r in range(w.rows):
        factor = w.tableau[r, column]
        if r != row and factor != 0.0:
            for j in range(w.columns):
                w.tableau[r, j] -= factor * w.tableau[row, j]
    factor = w.reduced_cost[column]
    if factor != 0.0:
        for j in range(w.columns):
            w.reduced_cost[j] -= factor * w.tableau[row, j]
    w.reduced_cost[column] = 0.0


@njit(cache=True)
def value_of(w: Any, column: int) -> float:
    """Value of a variable at the present point."""
    if w.in_basis[column]:
        for r in range(w.rows):
            if w.basis[r] == column:
                return w.value[r]
    return w.upper[column] if w.at_upper[column] else w.lower[column]
