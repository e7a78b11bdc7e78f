"""Surfaces made up to a grade: as uneven as the grade allows, smooth, and the same for the same seed."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from testbed.description.flatness import MAX_NODES, Flatness, graded, is_extrapolated, tolerance

FLOOR = ((-1.8, -1.5), (1.8, -1.5), (1.8, 1.5), (-1.8, 1.5))
PLATE = ((0.0, 0.0), (1.6, 0.0), (1.6, 2.5), (0.0, 2.5))


@settings(deadline=None, max_examples=20)
@given(st.sampled_from((0, 1, 2, 3)), st.integers(0, 2**31 - 1), st.floats(0.2, 6.0), st.floats(0.2, 6.0))
def test_no_plane_comes_closer_than_the_tolerance_and_one_does(grade, seed, width, height):
    outline = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    grid = graded(outline, grade, seed)
    allowed = tolerance(outline, grade)
    assert np.ptp(grid.heights) == pytest.approx(allowed, rel=1e-9)
    j, i = np.meshgrid(*map(np.arange, grid.heights.shape), indexing="ij")
    slopes = np.random.default_rng(seed).standard_normal((50, 2)) * 10.0 ** np.arange(-9, -4).repeat(10)[:, None]
    for a, b in slopes:
        assert np.ptp(grid.heights - a * i - b * j) >= allowed * (1.0 - 1e-9)
    assert max(grid.heights.shape) <= MAX_NODES
    far = np.array(grid.origin) + grid.spacing * (np.array(grid.heights.shape[::-1]) - 1)
    assert (far >= np.array([width, height]) - 1e-9).all(), "the grid covers the outline"


def test_it_is_smooth():
    heights = graded(FLOOR, 1, 1).heights
    steps = np.concatenate([np.diff(heights, axis=0).ravel(), np.diff(heights, axis=1).ravel()])
    assert np.abs(steps).max() < 0.15 * np.ptp(heights)


def test_another_seed_is_another_surface():
    assert np.array_equal(graded(FLOOR, 1, 1).heights, graded(FLOOR, 1, 1).heights)
    assert not np.allclose(graded(FLOOR, 1, 1).heights, graded(FLOOR, 1, 2).heights, atol=1e-6)


def test_a_table_larger_than_the_largest_plate_is_extrapolated():
    assert not is_extrapolated(PLATE)
    assert is_extrapolated(FLOOR)
    assert is_extrapolated(((0.0, 0.0), (1.7, 0.0), (1.7, 1.7), (0.0, 1.7)))
    assert "EXTRAPOLATED" in Flatness(grade=0).provenance(FLOOR)
    assert Flatness(grade=0).provenance(PLATE) == "flatness: ISO 8512-2 grade 0, 11.5 µm in all"


@pytest.mark.parametrize(
    "keys",
    [
        {},
        {"grade": 1, "file": "a.csv"},
        {"grade": 1, "measured": True},
        {"heights_um": ((0.0, 1.0), (1.0, 0.0))},
        {"heights_um": ((0.0, 1.0), (1.0, 0.0)), "origin": (0.0, 0.0)},
        {"heights_um": ((0.0,) * 65,) * 2, "origin": (0.0, 0.0), "spacing": 1.0},
        {"grade": 4},
    ],
    ids=["nothing", "two sources", "made up and measured", "no origin", "no spacing", "too many", "no such grade"],
)
def test_a_description_that_does_not_hang_together_is_refused(keys):
    with pytest.raises(ValidationError):
        Flatness(**keys)


def test_a_grid_file_that_nobody_read_cannot_be_used():
    with pytest.raises(ValueError, match=r"a\.csv have not been read"):
        Flatness(file="a.csv").grid(FLOOR)
