"""How near two vehicles may stand, against the filter itself."""

import numpy as np
import pytest

from testbed.flight.separation.standing import standing
from tests.flight.separation.test_safety_filter import begins, safety_filter


@pytest.mark.parametrize("errors", [(0.016, 0.008), (0.004, 0.002), (0.001, 0.0005)])
def test_it_is_where_the_filter_begins_to_act(errors):
    reckoned = standing(safety_filter(errors=errors).parameters[0], 0)
    assert reckoned == pytest.approx(begins(0.0, 0.0, errors, age=0.2), abs=2e-4)


def test_a_partner_that_may_stray_is_kept_farther_away():
    distances = [standing(safety_filter(stray=stray).parameters[0], 0) for stray in (0.0, 0.005, 0.01)]
    assert (np.diff(distances) > 0.0).all()
