"""Docking flown in the emulated plant, a few drawn worlds; many are flown by tests/prove."""

import math

import pytest

from testbed.description.noise import RadioNoise
from testbed.flight.docking import Failure, Phase
from tests.drawn.dockings import dock

# The first call compiles what no warm-up has compiled yet.
pytestmark = pytest.mark.timeout(600)

CONTACT_FORCE = 35.0


@pytest.mark.parametrize(("seed", "spin_deg"), [(410, 0.0), (411, 5.0), (412, -2.5)])
def test_it_docks_within_what_the_ports_admit(seed, spin_deg):
    one = dock(seed, spin_deg)
    assert one.good
    assert one.retreats <= 2
    assert one.force < CONTACT_FORCE
    assert one.touches[0] == "CAPTURED"
    assert one.miss["lateral"] < 0.020
    assert one.miss["angle"] < math.radians(8.0)
    assert 0.010 < one.miss["closing"] < 0.060
    assert one.miss["rate"] < math.radians(2.0)


def test_released_it_gets_clear():
    one = dock(413, release=True)
    assert one.phase == Phase.CLEAR
    assert Phase.DOCKED in one.began
    assert not one.joined


def test_on_a_radio_that_loses_nearly_all_it_fails_without_touching():
    one = dock(414, 3.0, radio=RadioNoise(loss=0.95))
    assert (one.phase, one.force) == (Phase.FAILED, 0.0)
    assert one.failure in (Failure.PARTNER_LOST, Failure.TIMEOUT, Failure.NO_WAY_IN)
