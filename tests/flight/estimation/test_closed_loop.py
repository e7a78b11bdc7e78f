"""Short version of tests/prove/test_estimator_consistency.py: few seeds, with the exact band for so many."""

from functools import cache

import numpy as np
import pytest

from tests.flight.estimation.closed_loop import FREE, LEARNT, UNMODELLED, watch

SEEDS, EPOCHS = range(5000, 5006), 3
PLACES = pytest.mark.parametrize("place", ["table", "cabin"])


@cache
def watched(place):
    return watch(SEEDS, place, EPOCHS, UNMODELLED)


@PLACES
def test_normalised_errors_lie_in_their_band(place):
    means, (low, high) = watched(place).mean_and_band(FREE[place], 0.9999)  # six epochs are looked at
    assert np.all((low < means) & (means < high)), (means, low, high)


@PLACES
def test_innovations_lie_in_their_band(place):
    means, band = watched(place).pooled_innovations(0.9999)
    assert np.all((band[:, 0] < means) & (means < band[:, 1])), (means, band)


@PLACES
def test_gyro_bias_and_disturbance_are_within_their_covariance(place):
    means, (_, high) = watched(place).mean_and_band(LEARNT[place], 0.9999)
    assert np.all(means < high), (means, high)
