"""Where a vehicle coasts to."""

import math

import numpy as np
import pytest

from testbed.plan.coast import coast
from tests.plan.world import configuration, odometry

TABLE = configuration("first-float").table


def moving(x, y, forward, heading=0.0):
    record = odometry(1, (x, y, 0.45), (0.0, 0.0, math.sin(heading / 2), math.cos(heading / 2)))[0]
    record["linear_velocity"] = (forward, 0.0, 0.0)
    return record


def test_at_rest_it_stays():
    end = coast(moving(0.3, 0.4, 0.0), TABLE, 0.2)
    assert (end.x, end.y, end.time) == (0.3, 0.4, None)


def test_it_touches_the_edge_when_its_rim_does():
    """Film drag alone: s = v·τ·(1 - exp(-t/τ)); the rim has 1.6 m to go at 0.05 m/s, τ = 300 s."""
    end = coast(moving(0.0, 0.0, 0.05), TABLE, 0.2)
    assert (end.x, end.y) == pytest.approx((1.6, 0.0))
    assert 0.05 * 300.0 * (1.0 - math.exp(-end.time / 300.0)) == pytest.approx(1.6)


def test_its_velocity_is_in_its_own_axes():
    end = coast(moving(0.0, 0.0, 0.05, heading=math.pi / 2), TABLE, 0.2)
    assert (end.x, end.y) == pytest.approx((0.0, 1.3))


def test_a_very_slow_one_comes_to_rest_before_the_edge():
    end = coast(moving(0.0, 0.0, 0.001), TABLE, 0.2)
    assert (end.x, end.time) == (pytest.approx(0.3), None)


def test_one_that_touches_the_edge_already_goes_no_farther():
    end = coast(moving(1.7, 0.0, 0.05), TABLE, 0.2)
    assert (end.x, end.time) == (pytest.approx(1.7), 0.0)


@pytest.mark.parametrize("heading", np.linspace(0.1, 6.2, 7))
def test_it_always_ends_on_the_table(heading):
    end = coast(moving(0.5, -0.5, 0.07, heading), TABLE, 0.2)
    assert TABLE.distance_to_edge((end.x, end.y)) == pytest.approx(0.2)
