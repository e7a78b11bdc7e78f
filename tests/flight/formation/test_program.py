"""The quadratic program: its optimum held against a second solver, its rows against the continuous curves."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.optimize import nnls
from scipy.sparse import diags_array, triu

from testbed.flight.formation import attempt, planner
from testbed.flight.formation.program import WEIGHT, Ends, Programs, filled
from testbed.flight.formation.separation import curves, planes_about
from testbed.flight.formation.solver import solve
from tests.drawn.reconfigurations import drawn

CURVED = 10.0
"""Added to the curvature along overstepping, so that the second solver can solve the program."""


def program_of(seed, stretch=1.3, intervals=12):
    """The first program of a drawn reconfiguration, with what it was made of."""
    task = drawn(seed, np.random.default_rng([1, seed])).task()
    ends = Ends.of(task, stretch * planner.least_duration(task), intervals)
    points = attempt.straight(ends)
    return task, ends, points, Programs.of(task, ends).beyond(planes_about(task, ends, points, 0))


def by_non_negative_least_squares(P, program):
    """The optimum of a strictly convex program as a least-distance problem (Lawson and Hanson, 1974, chapter 23)."""
    lower = np.linalg.cholesky(P)
    shift = np.linalg.solve(lower, program.q)
    rows = np.linalg.solve(lower, -program.A.toarray().T)
    bounds = -program.b + shift @ rows
    scale = np.max(np.abs(bounds))
    matrix = np.vstack([rows, bounds / scale])
    target = np.zeros(len(matrix))
    target[-1] = 1.0
    weights, _ = nnls(matrix, target, maxiter=50_000)
    residual = matrix @ weights - target
    return np.linalg.solve(lower.T, -scale * residual[:-1] / residual[-1] - shift)


@pytest.mark.parametrize("seed", range(8))
def test_a_second_solver_finds_the_same_optimum(seed):
    """Seeds with 3 to 6 vehicles; where straight ways meet, with overstepping that cannot be avoided."""
    *_, program = program_of(seed, intervals=12 + 4 * (seed % 3))
    # Curved a little along the slack, for both.
    curved = diags_array(np.where(np.arange(len(program.q)) < program.points, 0.0, CURVED))
    ours = type(program)(
        triu(program.P + curved, format="csc"), *(getattr(program, f) for f in ("q", "A", "b")), 0.0, 0
    )
    x, cost = solve(ours)
    P = ours.P.toarray()
    P = P + np.triu(P, 1).T
    y = by_non_negative_least_squares(P, ours)
    assert np.max(program.A @ x - program.b) < 1e-8
    assert np.max(program.A @ y - program.b) < 1e-6
    assert cost == pytest.approx(0.5 * y @ P @ y + program.q @ y, rel=1e-5, abs=1e-5)
    assert x[: program.points] == pytest.approx(y[: program.points], abs=2e-3)


def test_the_cost_is_the_mean_square_of_acceleration_over_its_limit():
    task, ends, points, program = program_of(3)
    solution = solve(program)
    points = filled(points, solution[0])
    accelerations = attempt.trajectories_of(task, ends, points).accelerations
    effort = np.sum(accelerations**2) / ends.intervals / task.limits[0].acceleration ** 2
    assert solution[1] == pytest.approx(effort + WEIGHT * np.sum(solution[0][program.points :]), rel=1e-6)


@settings(max_examples=25)
@given(st.integers(0, 10_000))
def test_planes_that_are_kept_part_the_continuous_curves(seed):
    """Where nothing is overstepped, every point between the knots keeps what its interval's planes ask."""
    task, ends, points, program = program_of(seed)
    solution = solve(program)
    assume(solution is not None and np.max(solution[0][program.points :]) < 1e-7)
    planes = planes_about(task, ends, points, 0)
    points = filled(points, solution[0])
    u = np.linspace(0.0, 1.0, 200)
    weights = np.column_stack([(1.0 - u) ** 2, 2.0 * u * (1.0 - u), u**2])
    dense = np.einsum("up,vkpn->vkun", weights, curves(ends, points))
    inside = (planes.interval > 0) & (planes.interval < ends.intervals - 1) & (planes.other >= 0)
    for one, other, k, normal, bound in zip(
        *(getattr(planes, name)[inside] for name in ("one", "other", "interval", "normals", "bounds")), strict=True
    ):
        away = dense[one, k] - dense[other, k]
        assert np.min(away @ normal) >= bound[0] - 1e-6
        assert np.min(np.linalg.norm(away, axis=1)) >= bound[0] - 1e-6
