"""The one quadratic-program solver of flight code: Clarabel, an interior-point method (Goulart and Chen, 2024)."""

from __future__ import annotations

from typing import Final

import clarabel
import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.program import Program

Array = NDArray[np.float64]

MOST_ITERATIONS: Final = 60


def solve(program: Program) -> tuple[Array, float] | None:
    """The solution x and its cost; None where limits contradict each other or the solver gives up."""
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.max_iter = MOST_ITERATIONS
    settings.direct_solve_method = "qdldl"  # single-threaded: the same answer bit for bit
    cones = [clarabel.NonnegativeConeT(len(program.b))]
    solution = clarabel.DefaultSolver(program.P, program.q, program.A, program.b, cones, settings).solve()
    if solution.status not in (clarabel.SolverStatus.Solved, clarabel.SolverStatus.AlmostSolved):
        return None
    return np.array(solution.x), float(solution.obj_val) + program.constant
