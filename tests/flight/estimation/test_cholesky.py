import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.flight.estimation.cholesky import factorise, solve


@given(st.integers(1, 9), st.integers(0, 2**32 - 1))
@settings(max_examples=30, deadline=None)
def test_solves_positive_definite_systems(n, seed):
    draw = np.random.default_rng(seed)
    root = draw.standard_normal((n, n))
    matrix, right = root @ root.T + 0.1 * np.eye(n), draw.standard_normal(n)
    factor, solution = np.zeros((n, n)), np.zeros(n)
    assert factorise(matrix, factor, 0.0)
    solve(factor, right, solution)
    np.testing.assert_allclose(matrix @ solution, right, atol=1e-9)
    solve(factor, right, right)
    np.testing.assert_array_equal(right, solution)


def test_says_where_a_matrix_is_not_positive_definite():
    assert not factorise(np.array([[1.0, 2.0], [2.0, 1.0]]), np.zeros((2, 2)), 0.0)
    assert not factorise(np.array([[1.0, 1.0], [1.0, 1.0]]), np.zeros((2, 2)), 0.0)
    assert not factorise(np.full((2, 2), np.nan), np.zeros((2, 2)), 0.0)
