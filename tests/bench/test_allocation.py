"""Allocation and HiGHS are timed on the same problems, and have to agree on them."""

import numpy as np
import pytest

from testbed.bench.allocation import allocation_time, forget, wrenches
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.flight.allocation import Allocation
from tests.flight.example_vehicle import vehicle


@pytest.mark.parametrize("axes", [TABLE_AXES, CABIN_AXES], ids=["table", "cabin"])
def test_both_are_timed(axes):
    figures = allocation_time(vehicle(), axes, 10, lambda text: None)
    assert [figure.measure for figure in figures] == [
        f"allocation, {len(axes)} axes, {how}, {which}"
        for how in ("searched anew", "seen before")
        for which in ("median", "worst")
    ]
    assert all(figure.value > 0.0 and figure.peer > 0.0 for figure in figures)


def test_what_is_searched_anew_takes_steps_of_the_search_again():
    allocation = Allocation(vehicle(), "table", TABLE_AXES)
    wrench = np.array([0.02, 0.01, 0.0, 0.0, 0.0, 0.001])
    for before, searched in ((lambda: None, True), (lambda: None, False), (lambda: forget(allocation), True)):
        allocation.state[0]["work"]["iterations"] = 0
        before()
        allocation.allocate(wrench)
        assert (allocation.state[0]["work"]["iterations"] > 0) == searched


def test_wrenches_lie_along_the_active_axes_only():
    active = axis_mask(TABLE_AXES)
    asked = wrenches(np.ones((6, 12)), active, 50)
    assert np.all(asked[:, ~active] == 0.0)
    assert np.all(np.any(asked[:, active] != 0.0, axis=1))
