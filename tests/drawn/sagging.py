"""The least gas that gives a wrench when the supply sags, and the largest share of a wrench that it gives at all.

With y = strength + base and the draw φ of the open valves, the supply goes y' = -ρ·((1 + φ)·y - lock) (supply.py).
Over a steady pattern of pulses the mean of y' and of y'/y is zero, so mean((1 + φ)·y) = lock and mean(1/y) =
(1 + mean φ)/lock. By Jensen mean y >= 1/mean(1/y), from which mean(φ·y) <= mean φ · mean y: at the same mean draw no
pattern gives more than a steady one. With M the mean strength, D what the valves give times their draw: M <= lock -
base - D - base·D/M. No valve gives more than M, as one that is open throughout does. This holds for every pattern, so
what HiGHS finds under that bound is no more than the true optimum.

The draw goes with the gas, so least gas lets the supply sag least: the bound falls from one solution to the next until
it is that of its own solution, which is then the best.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from tests.drawn.layouts import Layout

STEPS = 60
"""Near the largest share that can be given the bound falls slowly: what is found then may be more than any can give."""
CLOSE = 1e-7


def sagging_optimum(layout: Layout, rows: NDArray[np.float64], supply: np.void) -> tuple[float, NDArray[np.float64]]:
    """Largest scale up to 1 and the duties of least gas with it, for a wrench of scaled `rows`, under sag."""
    least = least_gas(layout, rows, supply)
    if least is not None:
        return 1.0, least
    low, high, found = 0.0, 1.0, np.zeros(len(layout.flow))
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        least = least_gas(layout, middle * rows, supply)
        if least is None:
            high = middle
        else:
            low, found = middle, least
    return low, found


def least_gas(layout: Layout, rows: NDArray[np.float64], supply: np.void) -> NDArray[np.float64] | None:
    """Duties of least gas under sag; None if there are none."""
    draw, bound, duties = supply["draw"][: len(layout.flow)], 1.0, None
    for _ in range(STEPS):
        bounds = [(0.0, bound * float(used)) for used in layout.in_service]
        found = linprog(layout.flow, A_eq=layout.matrix, b_eq=rows, bounds=bounds, method="highs")
        if found.status != 0:
            return None
        duties = np.asarray(found.x)
        reach = min(mean_strength(supply, float(draw @ duties)), 1.0)
        if duties.max() <= reach + CLOSE:
            break
        bound = reach
    return duties


def mean_strength(supply: np.void, given: float) -> float:
    """Largest M with M <= lock - base - D - base·D/M for D = `given`; 0 if there is none."""
    half = 0.5 * (float(supply["lock"] - supply["base"]) - given)
    square = half * half - float(supply["base"]) * given
    return half + math.sqrt(square) if square >= 0.0 and half > 0.0 else 0.0
