"""Bounds on sums of squares of normal errors."""

from __future__ import annotations

import math
from typing import Any

from numba import njit


@njit(cache=True)
def chi_square_bound(degrees: float, quantile: float) -> float:
    """Chi-square value at a standard normal quantile: Wilson & Hilferty, PNAS 17 (1931)."""
    spread = 2.0 / (9.0 * degrees)
    return degrees * (1.0 - spread + quantile * math.sqrt(spread)) ** 3


@njit(cache=True)
def length_bound(covariance: Any, first: int, quantile: float) -> float:
    """Length that the three errors from `first` on of a covariance exceed with the probability of a normal quantile.

    The square of the length is taken for a multiple of chi-square with its mean and variance: Satterthwaite, Biometrics
    Bulletin 2 (1946). Both follow from the traces of the block and of its square.
    """
    mean, square = 0.0, 0.0
    for i in range(first, first + 3):
        mean += covariance[i, i]
        for j in range(first, first + 3):
            square += covariance[i, j] * covariance[j, i]
    return math.sqrt(square / mean * chi_square_bound(mean * mean / square, quantile))
