"""Which ranges of a pose fit are echoes: those that others contradict, the worst first."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.flight.estimation.cholesky import factorise, solve
from testbed.flight.estimation.pose_fit import UNKNOWNS, range_gradient

OUTLIER: Final = 4.0
"""A residual above this many standard deviations is taken for an echo and left out, the worst first."""
LEAST_SHARE: Final = 0.05
"""A range whose residual keeps less of its variance than this is checked by no other: it cannot be told wrong."""


@njit(cache=True)
def worst_residual(fit: Any) -> int:
    """The range whose residual is the largest above OUTLIER standard deviations of its own, or -1.

    The pose gives way to a range that few others check, so that its residual shrinks to a share 1 - h of its variance,
    h = w·g·(JᵀWJ)⁻¹·gᵀ·w: Baarda, "A testing procedure for use in geodetic networks" (1968), from memory.
    """
    factorise(fit.normal, fit.factor, 0.0)
    worst, at = OUTLIER, -1
    row = np.empty(UNKNOWNS)
    for k in range(fit.count):
        if fit.weight[k] > 0.0:
            direction, moment, _ = range_gradient(fit, k)
            for i in range(3):
                row[i] = direction[i]
                row[3 + i] = moment[i]
                row[6 + i] = direction[i] * fit.time[k]
            solve(fit.factor, row, fit.step)
            share = 1.0
            for i in range(UNKNOWNS):
                share -= fit.weight[k] ** 2 * row[i] * fit.step[i]
            size = abs(fit.residual[k]) / math.sqrt(max(share, LEAST_SHARE))
            if size > worst:
                worst, at = size, k
    return at
