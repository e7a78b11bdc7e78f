"""The share of the authority that an approach takes, against numbers worked out by hand."""

import math

import pytest

from testbed.description.axes import TABLE_AXES
from testbed.flight.docking.approach import EASING
from testbed.flight.docking.feasibility import approach, refusal, standoff
from tests.flight.docking.examples import DOCKED, PORT, docking, ported

FORWARD = 2 * 0.15 * math.cos(math.radians(30.0))
SIDEWAYS = 3 * 0.15
"""Authority N along x, and across: two side nozzles and of the two along ones the part that points outward, halved."""
MASS = 13.0


def at(spin_deg, distance=0.6, closing=0.04):
    return approach(ported(), PORT, "table", TABLE_AXES, math.radians(spin_deg), distance, closing)


def test_shares_by_hand():
    """At 6 degrees/s and 0.6 m: 0.0855 N inward, and 0.109 N sideways at 40 mm/s."""
    one, spin = at(6.0), math.radians(6.0)
    assert one.centripetal == pytest.approx(MASS * spin**2 * 0.6 / FORWARD)
    assert one.coriolis == pytest.approx(2 * MASS * spin * 0.04 / SIDEWAYS, rel=1e-3)
    assert one.easing == pytest.approx(MASS * EASING / FORWARD)
    assert one.speed == pytest.approx(spin * 0.6)
    assert max(one.centripetal + one.easing, one.coriolis) <= one.total + 1e-9
    assert one.total <= one.centripetal + one.coriolis + one.easing


def test_still_it_takes_what_closing_in_takes():
    one = at(0.0)
    assert (one.centripetal, one.coriolis, one.speed) == (0.0, 0.0, 0.0)
    assert one.total == pytest.approx(one.easing)


@pytest.mark.parametrize("spin_deg", [0.0, 3.0, 6.0, -6.0])
def test_up_to_six_degrees_a_second_there_is_a_standoff_that_fits(spin_deg):
    distance = standoff(docking().parameters, abs(math.radians(spin_deg)))
    assert 0.54 - 1e-9 <= distance <= DOCKED + 0.3 + 1e-9
    assert refusal(at(spin_deg, distance), 0.07) == ""


def test_too_fast_a_spin_is_refused_in_words():
    distance = standoff(docking().parameters, math.radians(10.0))
    told = refusal(at(10.0, distance), 0.2)
    assert "of the authority 0.54 m from the partner" in told
    assert "centripetal" in told


def test_a_speed_limit_that_turning_along_breaks_is_refused():
    assert "turning with the partner" in refusal(at(6.0, 0.6), 0.07)
    assert refusal(at(6.0, 0.6), 0.09) == ""


def test_the_standoff_comes_nearer_the_faster_the_partner_spins():
    found = [standoff(docking().parameters, math.radians(spin)) for spin in (1.0, 4.0, 5.5, 6.0)]
    assert found == sorted(found, reverse=True)
    assert found[0] > found[-1]
