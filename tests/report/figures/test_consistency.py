"""Errors of the estimate and their statistics."""

import math

import numpy as np
import pytest
from scipy.stats import chi2

from testbed.description import messages
from testbed.report.figures.consistency import BOUND, estimate_errors, normalised, share_inside

SECOND = 1_000_000_000


def track(count, speed=0.1, turn=0.0):
    records = np.zeros(count, messages.ODOMETRY)
    time = np.arange(count) * 0.02
    records["stamp"] = SECOND + (time * SECOND).astype(np.int64)
    records["position"][:, 0] = speed * time
    angle = 3.1 + turn * time  # passes through half a turn
    records["orientation"][:, 2], records["orientation"][:, 3] = np.sin(angle / 2), np.cos(angle / 2)
    return records


def test_an_estimate_equal_to_the_truth_has_no_error():
    truth = track(500, turn=0.2)
    assert estimate_errors(truth, truth) == pytest.approx(np.zeros((500, 3)), abs=1e-12)


def test_errors_are_taken_at_the_stamps_of_the_estimate():
    truth = track(500, turn=0.2)
    estimate = truth[::2][:249].copy()
    estimate["stamp"] += 10_000_000  # between two samples of truth
    estimate["position"][:, 0] += 0.1 * 0.01 + 0.005
    angle = 3.1 + 0.2 * (estimate["stamp"] - SECOND) / SECOND - 0.03
    estimate["orientation"][:, 2], estimate["orientation"][:, 3] = np.sin(angle / 2), np.cos(angle / 2)
    errors = estimate_errors(estimate, truth)
    assert errors[:, 0] == pytest.approx(0.005, abs=1e-9)
    assert errors[:, 2] == pytest.approx(-0.03, abs=1e-9)


def test_a_true_claim_gives_normalised_errors_of_chi_square_3():
    generator = np.random.default_rng(7)
    truth = track(20_000)
    factor = np.array([[2e-3, 0.0, 0.0], [1e-3, 1e-3, 0.0], [0.0, 5e-3, 1e-2]])
    noise = generator.normal(size=(len(truth), 3)) @ factor.T
    estimate = truth.copy()
    estimate["position"][:, :2] += noise[:, :2]
    angle = 3.1 + noise[:, 2]
    estimate["orientation"][:, 2], estimate["orientation"][:, 3] = np.sin(angle / 2), np.cos(angle / 2)
    covariance = np.eye(6)
    covariance[np.ix_([0, 1, 5], [0, 1, 5])] = factor @ factor.T
    estimate["pose_covariance"] = covariance
    values = normalised(estimate, estimate_errors(estimate, truth))
    # mean 3, variance 6: four standard deviations of the mean over so many independent samples
    assert values.mean() == pytest.approx(3.0, abs=4.0 * math.sqrt(6.0 / len(values)))
    assert share_inside(estimate, truth) == pytest.approx(0.95, abs=4.0 * math.sqrt(0.95 * 0.05 / len(values)))


def test_the_bound_is_that_of_scipy():
    assert pytest.approx(chi2.ppf(0.95, 3)) == BOUND


def test_no_estimate_has_no_share():
    assert math.isnan(share_inside(np.zeros(0, messages.ODOMETRY), track(5)))
