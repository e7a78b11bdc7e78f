"""Every loop of the estimator that searches has a cap, and what it gives there is safe: a valid pose, or none."""

from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description.messages import IMU, MAX_RANGES, NS_PER_S, TICK_NS
from testbed.flight.estimation import SEARCHING
from testbed.flight.estimation.acquisition import OUTLIER_SHARE
from testbed.flight.estimation.layout import IDLE, MAX_STARTS
from testbed.flight.estimation.pose_fit import minimise
from testbed.flight.estimation.search import STARTS_PER_TICK
from tests.flight.estimation.world import World, cloud

LONGEST_SEARCH = 2 * MAX_STARTS // STARTS_PER_TICK + int(OUTLIER_SHARE * MAX_RANGES) + 4
"""Ticks: all starts, every outlier that may be left out, and the judgements."""


@cache
def problem(place):
    """Parameters, and the last pose fit of an estimator that has been found."""
    world = World([21], place=place, push=False)
    world.run(3.0)
    estimator = world.estimators[0]
    assert estimator.acquired
    return estimator.parameters[0], estimator.state[0]["fit"]


@pytest.mark.parametrize("place", ["table", "cabin"])
@given(iterations=st.integers(0, 30), seed=st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_a_descent_that_is_cut_short_is_never_worse_than_its_start(place, iterations, seed):
    p, fit = problem(place)
    draw = np.random.default_rng(seed)
    fit["position"], fit["velocity"] = draw.uniform(-2.0, 2.0, 3), draw.uniform(-0.2, 0.2, 3)
    fit["orientation"] = Rotation.random(rng=draw).as_quat()
    minimise(p, fit, 0, 0.0)
    before = float(fit["cost"])
    minimise(p, fit, iterations, 0.0)
    assert fit["cost"] <= before
    assert np.isfinite(fit["position"]).all()
    assert np.linalg.norm(fit["orientation"]) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_ranges_that_fit_no_pose_give_none_and_every_search_ends(place):
    world = World([22], place=place, push=False)
    estimator, draw = world.new_estimator(), np.random.default_rng(3)
    s, imu, searching, attempts = estimator.state[0], np.zeros(1, IMU), 0, 0
    receivers = len(world.vehicle.receivers)
    for tick in range(1000):
        imu[0]["stamp"] = NS_PER_S + tick * TICK_NS
        estimator.accept_imu(imu[0])
        if tick % 25 == 24:
            rows = [(b, r, draw.uniform(0.001, 0.02), 0.04 * b) for b in range(6) for r in range(receivers)]
            estimator.accept_ranges(cloud(NS_PER_S + (tick - 24) * TICK_NS, rows)[0])
        same = s["search_stage"] != IDLE and s["attempts"] == attempts
        searching, attempts = searching + 1 if same else 0, int(s["attempts"])
        assert searching <= LONGEST_SEARCH
        assert s["phase"] == SEARCHING
    assert s["attempts"] > 10
    assert np.isfinite(s["anchor"]["covariance"]).all()
