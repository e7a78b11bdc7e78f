"""Which ports are chosen, and how the pair then lies; and the moment to begin."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.port import Port
from testbed.flight.docking import entry, ports
from testbed.flight.docking.memory import MOST_SAMPLES
from tests.flight.docking.examples import DOCKED, START, docking, motion, ported

BACK = Port(name="back", position=(-0.15, 0, 0), floor_position=(-0.21, 0, 0), direction=(-1, 0, 0))


def chosen(bearing, turned, partner_turned=0.0):
    one = docking(own=ported(BACK), partner=ported(BACK))
    s = one.state[0]
    s["own"] = motion((math.cos(bearing), math.sin(bearing), 0.0), turned)[0]
    s["partner"] = motion(turned=partner_turned)[0]
    ports.choose(one.parameters[0], s)
    return s


@pytest.mark.parametrize(
    ("bearing", "turned", "partner_turned", "pair"),
    [(0.0, 3.0, 0.0, (0, 0)), (0.3, 0.0, 0.0, (1, 0)), (3.0, 0.0, 0.0, (0, 1)), (0.0, 3.0, 3.0, (0, 1))],
    ids=["both in front", "own back", "its back", "turned round"],
)
def test_the_ports_that_face_each_other_most_are_chosen(bearing, turned, partner_turned, pair):
    s = chosen(bearing, turned, partner_turned)
    assert (s["own_port"], s["its_port"]) == pair


@pytest.mark.parametrize("turned", [3.0, -2.5, 0.1])
def test_docked_both_fronts_lie_together_and_face_each_other(turned):
    s = chosen(0.2, turned)
    own = Rotation.from_quat(s["mated"])
    sign = 1.0 if s["own_port"] == 0 else -1.0
    assert s["contact"] + own.apply((0.21 * sign, 0, 0)) == pytest.approx((0.21, 0, 0))
    assert own.apply((sign, 0, 0)) == pytest.approx((-1, 0, 0))
    assert np.linalg.norm(s["contact"]) == pytest.approx(DOCKED)


@pytest.mark.parametrize("own", [(1, 0, 0), (0.6, 0.8, 0), (0, 0, 1), (0, 0, -1)])
def test_facing_is_the_shortest_turn(own):
    present, its = Rotation.from_euler("xyz", (0.4, -0.2, 1.0)), np.array([0.0, 0.0, 1.0])
    found = Rotation.from_quat(ports.facing(present.as_quat(), np.array(own, float), its))
    assert found.apply(own) == pytest.approx(-its, abs=1e-12)
    between = math.acos(np.clip(present.apply(own) @ -its, -1, 1))
    assert (found * present.inv()).magnitude() == pytest.approx(between)


def test_straight_away_from_each_other_it_turns_about_z():
    found = Rotation.from_quat(ports.facing((0.0, 0.0, 0.0, 1.0), (1.0, 0.0, 0.0), (1.0, 0.0, 0.0)))
    assert found.as_rotvec() == pytest.approx((0, 0, math.pi))


def way_in(bearing, spin, speed=0.07):
    """Docking that waits at rest at a bearing from the port's axis, and whether there is a way in now."""
    one = docking(speed=speed)
    s = one.state[0]
    where = one.parameters[0]["waiting_distance"]
    s["going"] = motion((where * math.cos(bearing), where * math.sin(bearing), 0.0), bearing + math.pi)[0]
    s["own"], s["partner"] = s["going"], motion(rate=(0.0, 0.0, spin))[0]
    ports.choose(one.parameters[0], s)
    return one, entry.search(one.parameters[0], s, START)


SPIN = math.radians(6.0)


@pytest.mark.parametrize(("spin", "leads"), [(SPIN, 1.0), (-SPIN, -1.0)])
def test_the_moment_is_while_the_port_comes_round(spin, leads):
    open_at = [bearing for bearing in np.arange(-3.1, 3.1, 0.1) if way_in(bearing, spin)[1]]
    assert open_at, "there is a moment"
    assert all(0.2 < leads * bearing % (2 * math.pi) < 4.0 for bearing in open_at), "ahead of the port"
    assert not way_in(0.0, spin)[1], "in front of the port it is too late"
    assert not way_in(-0.5 * leads, spin)[1]


def test_in_front_of_a_partner_that_is_still_it_may_begin_at_once_but_not_behind():
    assert way_in(0.0, 0.0)[1]
    assert way_in(0.4, 0.0)[1]
    assert not way_in(3.0, 0.0)[1]


def test_what_is_found_keeps_its_limits_to_the_end():
    one, found = way_in(1.5, SPIN)
    if not found:
        one, found = next(pair for pair in (way_in(b, SPIN) for b in np.arange(0.5, 3.0, 0.1)) if pair[1])
    p, s = one.parameters[0], one.state[0]
    s["trial"] = s["transfer"]
    entry.fill_ahead(p, s)
    assert s["transfer"]["time"] < MOST_SAMPLES
    for k in range(1, round(s["transfer"]["time"]) + 1):
        assert entry.sample(p, s, k)
        assert entry.share(p, s, s["ahead"][k], s["transfer"], k) <= entry.SHARE
        assert np.linalg.norm(s["own"]["velocity"]) <= p["speed"]


def test_no_moment_comes_for_a_spin_beyond_the_authority():
    assert not any(way_in(bearing, 2.0 * SPIN, 0.2)[1] for bearing in np.arange(-3.1, 3.1, 0.2))
