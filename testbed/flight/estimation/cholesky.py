"""Small symmetric positive definite systems, in place and without a library call."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Matrix = NDArray[np.float64]


@njit(cache=True)
def factorise(matrix: Matrix, factor: Matrix, damping: float) -> bool:
    """Fill the lower triangle L of `factor` so that L·Lᵀ = matrix with its diagonal times (1 + damping).

    Shapes (n, n). Returns False where the matrix is not positive definite.
    """
    n = matrix.shape[0]
    for i in range(n):
        for j in range(i + 1):
            total = matrix[i, j] * (1.0 + damping) if i == j else matrix[i, j]
            for k in range(j):
                total -= factor[i, k] * factor[j, k]
            if i == j:
                if not total > 1e-14 * matrix[i, i]:
                    return False
                factor[i, i] = math.sqrt(total)
            else:
                factor[i, j] = total / factor[j, j]
    return True


@njit(cache=True)
def solve(factor: Matrix, right: Matrix, solution: Matrix) -> None:
    """Solve L·Lᵀ·solution = right; shapes (n, n), (n,), (n,). `solution` may be `right`."""
    n = factor.shape[0]
    for i in range(n):
        total = right[i]
        for k in range(i):
            total -= factor[i, k] * solution[k]
        solution[i] = total / factor[i, i]
    for i in range(n - 1, -1, -1):
        total = solution[i]
        for k in range(i + 1, n):
            total -= factor[k, i] * solution[k]
        solution[i] = total / factor[i, i]
