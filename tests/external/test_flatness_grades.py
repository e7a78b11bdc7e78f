"""Flatness grades against the overall tolerances that ISO 8512-2:1990 tabulates for its preferred sizes.

From memory, as catalogues of granite surface plates print them; grade 0 to half a micrometre, the others to a whole.
That sizes go from 160 mm by 100 mm to 2500 mm by 1600 mm in grades 0 to 3 was looked up in descriptions of IS
7327:2003, the national edition of the same text.
"""

import pytest

from testbed.description.flatness import LARGEST, is_extrapolated, tolerance

TABULATED = {
    (0.16, 0.1): (3.0, 6.0, 12.0, 25.0),
    (1.0, 0.63): (6.0, 12.0, 24.0, 49.0),
    (1.6, 1.0): (8.0, 16.0, 33.0, 66.0),
    (2.0, 1.0): (9.5, 19.0, 38.0, 75.0),
    (2.5, 1.6): (11.5, 23.0, 46.0, 92.0),
}


@pytest.mark.parametrize("size", TABULATED, ids=str)
@pytest.mark.parametrize("grade", [0, 1, 2, 3])
def test_the_tolerance_is_the_tabulated_one(size, grade):
    length, width = size
    outline = ((0.0, 0.0), (length, 0.0), (length, width), (0.0, width))
    rounding = 0.25 if grade == 0 else 0.5
    assert abs(1e6 * tolerance(outline, grade) - TABULATED[size][grade]) <= rounding
    assert not is_extrapolated(outline)


def test_the_largest_preferred_size_is_the_largest_that_is_not_extrapolated():
    assert max(TABULATED) == LARGEST
