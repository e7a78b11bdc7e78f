"""Distances of straight ways, held against a fine grid of both."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.flight.separation.segments import distance

points = st.lists(st.floats(-1.0, 1.0), min_size=12, max_size=12).map(lambda twelve: np.array(twelve).reshape(4, 3))


@settings(deadline=None, max_examples=200)
@given(points, st.sampled_from(["apart", "parallel", "point", "points"]))
def test_it_is_that_of_the_nearest_two_of_many_points(ends, kind):
    a, b, c, d = ends
    if kind == "parallel":
        d = c + 0.7 * (b - a)
    if kind in ("point", "points"):
        b = a
    if kind == "points":
        d = c
    shares = np.linspace(0.0, 1.0, 201)[:, None]
    gaps = (a + shares * (b - a))[:, None] - (c + shares * (d - c))[None]
    least = np.sqrt((gaps**2).sum(axis=2)).min()
    spacing = (np.linalg.norm(b - a) + np.linalg.norm(d - c)) / 400
    assert least - spacing - 1e-9 <= distance(a, b, c, d) <= least + 1e-9


@pytest.mark.parametrize(
    ("ends", "apart"),
    [
        (((0, 0, 0), (1, 0, 0), (0.5, -1, 0.3), (0.5, 1, 0.3)), 0.3),
        (((0, 0, 0), (1, 0, 0), (2, 0, 0), (3, 0, 0)), 1.0),
        (((0, 0, 0), (1, 0, 0), (0.2, 0.4, 0), (0.8, 0.4, 0)), 0.4),
        (((0, 0, 0), (0, 0, 0), (3, 4, 0), (3, 4, 0)), 5.0),
    ],
    ids=["crossing", "in line", "parallel", "points"],
)
def test_closed_forms(ends, apart):
    assert distance(*np.array(ends, float)) == pytest.approx(apart)
