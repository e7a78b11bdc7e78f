"""Whatever is asked for, limits hold to within what brake and pulses may be wrong by (tests/drawn/adversaries.py)."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.drawn.adversaries import Kind, fly_adversary

SECONDS = 20.0


@pytest.mark.parametrize("place", ["table", "cabin"])
@settings(deadline=None, max_examples=12)
@given(seed=st.integers(0, 9_999), kind=st.sampled_from(Kind))
def test_an_adversary_never_gets_a_vehicle_beyond_its_limits(place, seed, kind):
    """Drawn vehicle, world and limits, the true motion known."""
    flown = fly_adversary(place, seed, kind, SECONDS)
    assert flown.kept, flown


@pytest.mark.parametrize("place", ["table", "cabin"])
@pytest.mark.parametrize("kind", [Kind.STUBBORN, Kind.OUTWARD])
def test_nor_by_the_estimate(place, kind):
    """The guard takes three standard deviations off each limit, so that the estimate's errors cost no more."""
    flown = fly_adversary(place, 7, kind, SECONDS, estimated=True)
    assert flown.kept, flown
    assert flown.objections > 0
