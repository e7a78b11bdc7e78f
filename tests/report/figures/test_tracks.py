"""Drawn outlines have the size of the vehicle."""

import numpy as np
import pytest

from tests.record.example import VEHICLE


@pytest.mark.parametrize("sides", [4, 6, 8])
def test_the_prism_has_its_width_across_flats_and_a_side_in_front(sides):
    shape = VEHICLE.shape.model_copy(update={"sides": sides, "width": 0.26})
    corners = shape.outline()
    assert len(corners) == sides
    assert corners[:, 0].max() == pytest.approx(0.13)
    assert np.ptp(corners[:, 0]) == pytest.approx(0.26)
    assert np.sum(np.isclose(corners[:, 0], 0.13)) == 2
