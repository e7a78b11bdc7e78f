"""The lens formula can be undone wherever it does not fold back."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.lens import distort, reach, undistort

LENSES = [
    (-0.28, 0.09, 0.0005, -0.0003, 0.0),
    (0.2, -0.05, 0.0, 0.0, 0.01),
    (-0.1, 0.0, 0.002, 0.001, 0.0),
    (0.0, 0.0, 0.0, 0.0, 0.0),
]


@pytest.mark.parametrize("lens", LENSES, ids=str)
@given(st.floats(0.0, 0.75), st.floats(0.0, 2.0 * math.pi))
def test_undistorting_undoes_distorting(lens, radius, angle):
    point = radius * np.array([[math.cos(angle), math.sin(angle)]])
    assert undistort(distort(point, lens), lens) == pytest.approx(point, abs=1e-12)


def test_the_middle_stays_where_it_is():
    for lens in LENSES:
        assert np.array_equal(distort(np.zeros((1, 2)), lens), np.zeros((1, 2)))


def test_pure_radial_distortion_moves_along_the_radius_by_k1_times_its_cube():
    points = np.array([[0.3, 0.4]])
    assert distort(points, (-0.2, 0.0, 0.0, 0.0, 0.0)) - points == pytest.approx(points * -0.2 * 0.25)


def test_the_reach_ends_where_the_distorted_radius_no_longer_grows():
    k1 = -0.3
    limit = reach((k1, 0.0, 0.0, 0.0, 0.0))
    assert limit == pytest.approx(math.sqrt(-1.0 / (3.0 * k1)))
    radii = np.column_stack([limit * np.array([0.999, 1.0, 1.001]), np.zeros(3)])
    inside, most, beyond = distort(radii, (k1, 0.0, 0.0, 0.0, 0.0))[:, 0]
    assert most > inside
    assert most > beyond
    assert reach((0.2, 0.1, 0.0, 0.0, 0.0)) == math.inf


def test_what_the_lens_shows_nowhere_is_no_number():
    lens = (-0.3, 0.0, 0.0, 0.0, 0.0)
    farthest = distort(np.array([[reach(lens), 0.0]]), lens)
    assert np.isnan(undistort(1.01 * farthest, lens)).all()
    assert np.isfinite(undistort(0.99 * farthest, lens)).all()
