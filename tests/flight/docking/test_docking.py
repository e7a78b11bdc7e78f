"""Docking closed over a body in the plane: phases in their order, and out again where something is wrong."""

import math

import numpy as np
import pytest

from testbed.flight.docking import Failure, Phase
from tests.flight.docking.examples import DOCKED
from tests.flight.docking.pair import Pair, approaching

# The first call compiles what no warm-up has compiled yet.
pytestmark = pytest.mark.timeout(600)

ORDER = [Phase.GOING, Phase.ENTERING, Phase.SYNCHRONISING, Phase.APPROACHING, Phase.LATCHED, Phase.DOCKED]
SPIN = math.radians(6.0)


@pytest.mark.parametrize("spin", [0.0, 0.03, -0.03, SPIN, -SPIN], ids=["still", "slowly", "and back", "fast", "round"])
def test_it_docks(spin):
    pair = Pair(spin=spin)
    pair.docking.begin()
    pair.run(200.0, (Phase.DOCKED, Phase.FAILED))
    assert [phase for phase in pair.phases if phase != Phase.GOING] == ORDER[1:]
    lateral, angle, closing = pair.miss
    assert lateral < 0.003
    assert angle < math.radians(0.5)
    assert closing == pytest.approx(0.022, abs=0.004)


@pytest.mark.parametrize("bearing", [0.0, 1.5, 3.0, -2.0])
def test_wherever_it_begins_it_gets_to_the_port_without_coming_near_elsewhere(bearing):
    pair = Pair((1.3 * math.cos(bearing), 1.3 * math.sin(bearing)))
    pair.docking.begin()
    while pair.phase != Phase.DOCKED and pair.seconds < 200.0:
        pair.run(0.5)
        off = abs(math.atan2(pair.place[1], pair.place[0]))
        assert np.linalg.norm(pair.place) > 0.85 or off < math.radians(50.0)
    assert pair.phase == Phase.DOCKED


def test_until_it_is_told_to_it_asks_for_nothing():
    pair = Pair()
    pair.run(1.0)
    assert pair.phase == Phase.IDLE
    assert not pair.wrench[0]["force"].any()
    assert pair.permit()["partner"] == -1


def test_turning_along_it_pushes_inward_with_the_centripetal_force():
    pair = Pair(spin=SPIN)
    pair.docking.begin()
    pair.run(150.0, (Phase.APPROACHING,))
    distance = float(np.linalg.norm(pair.place))
    assert pair.wrench[0]["force"][0] == pytest.approx(pair.mass * SPIN**2 * distance, rel=0.1)


def test_closing_in_it_is_the_slower_the_nearer():
    pair, seen = approaching(), []
    while not pair.latched:
        pair.run(0.2)
        seen.append((DOCKED + 0.0, float(np.linalg.norm(pair.place)) - DOCKED, -float(pair.velocity @ pair._axis())))
    fastest = max(closing for _, _, closing in seen)
    assert fastest == pytest.approx(0.040, abs=0.003)
    assert all(closing < 0.027 for _, gap, closing in seen if gap < 0.03)


def test_knocked_out_of_the_corridor_it_retreats_and_tries_again():
    pair = approaching()
    pair.run(3.0)
    pair.knock(0.05)
    pair.run(10.0, (Phase.RETREATING,))
    assert (pair.phase, pair.docking.failure) == (Phase.RETREATING, Failure.OUT_OF_CORRIDOR)
    pair.run(100.0, (Phase.DOCKED, Phase.FAILED))
    assert pair.phase == Phase.DOCKED
    assert pair.seen["retreats"] == 1


def test_knocked_every_time_it_gives_up_after_two_retreats_and_goes_away():
    pair = approaching()
    for number in range(3):
        pair.run(100.0, (Phase.APPROACHING,))
        pair.run(3.0)
        pair.knock(0.05)
        pair.run(10.0, (Phase.RETREATING, Phase.FAILED))
        assert pair.seen["retreats"] == min(number + 1, 2)
    assert (pair.phase, pair.docking.failure) == (Phase.FAILED, Failure.OUT_OF_CORRIDOR)
    assert pair.permit()["partner"] == 0
    pair.run(60.0)
    assert np.linalg.norm(pair.place) == pytest.approx(1.0, abs=0.02)
    assert np.linalg.norm(pair.velocity) < 0.005
    assert pair.permit()["partner"] == -1


def test_ports_that_do_not_latch_are_missed():
    pair = approaching(latches=False)
    pair.run(40.0, (Phase.RETREATING,))
    assert (pair.phase, pair.docking.failure) == (Phase.RETREATING, Failure.MISSED)


def test_a_partner_that_falls_silent_is_not_closed_in_on():
    pair = approaching()
    pair.run(2.0)
    pair.silent_since = pair.seconds
    pair.run(1.0)
    assert pair.phase == Phase.APPROACHING
    assert pair.seen["easing"] < 0.0
    pair.run(2.0, (Phase.RETREATING,))
    assert (pair.phase, pair.docking.failure) == (Phase.RETREATING, Failure.PARTNER_LOST)


def test_without_its_own_fix_it_asks_for_nothing_and_then_retreats():
    pair = approaching()
    pair.run(2.0)
    pair.fix = False
    pair.run(0.5)
    assert not pair.wrench[0]["force"].any()
    pair.fix = True
    pair.run(0.1)
    assert (pair.phase, pair.docking.failure) == (Phase.RETREATING, Failure.OWN_FIX_LOST)


def test_a_latch_that_lets_go_is_a_retreat():
    pair = approaching()
    pair.run(60.0, (Phase.LATCHED,))
    assert not pair.wrench[0]["force"].any()
    pair.latched = pair.latches = False
    pair.run(0.2)
    assert (pair.phase, pair.docking.failure) == (Phase.RETREATING, Failure.LATCH_LOST)


def test_released_it_backs_off_and_is_clear():
    pair = approaching()
    pair.run(60.0, (Phase.DOCKED,))
    pair.docking.release(pair.stamp)
    pair.latched = False
    assert not pair.seen["engaged"]
    pair.run(60.0, (Phase.CLEAR,))
    pair.run(60.0)
    assert np.linalg.norm(pair.place) == pytest.approx(1.0, abs=0.02)
    assert pair.permit()["partner"] == -1


def test_a_phase_that_lasts_too_long_fails():
    pair = approaching()
    pair.docking.state[0]["phase"], pair.docking.state[0]["since"] = Phase.SYNCHRONISING, pair.stamp
    for number in range(700):
        pair.knock(0.04 * (-1) ** number)
        pair.run(0.1, (Phase.FAILED,))
        if pair.phase == Phase.FAILED:
            break
    assert (pair.phase, pair.docking.failure) == (Phase.FAILED, Failure.TIMEOUT)
