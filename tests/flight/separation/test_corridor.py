"""The docking permit: nearer than the minimum for one pair, in its corridor, slowly, and for nobody else."""

import numpy as np
import pytest

from testbed.flight.separation import PERMIT, Action, Worry
from tests.drawn.bodies import Asks, Lies
from tests.drawn.encounters import drawn_encounter
from tests.flight.guard.test_guard import odometry, wrench
from tests.flight.separation.test_safety_filter import heard, safety_filter

DOCKED = 0.20
"""Minimum in the corridor, m: below the 0.42 m at which ports touch by what the filter keeps on top of it."""


def permit(own_frame=False, partner=0, **changes):
    """A corridor ahead (+x) of who is docked to, from its port on."""
    one = np.zeros(1, PERMIT)[0]
    one["partner"], one["own_frame"], one["apex"], one["axis"] = partner, own_frame, (0.2, 0, 0), (1, 0, 0)
    one["half_width"], one["spread"], one["length"], one["minimum"] = 0.04, 0.2, 0.8, DOCKED
    one["speed"], one["speed_per_metre"] = 0.03, 0.1
    for name, value in changes.items():
        one[name] = value
    return one


def docking(place=(0.48, 0.0, 0.0), velocity=(-0.01, 0.0, 0.0), asked=(0.0,), partners=1, **changes):
    """Action and worries of who docks at `place` to a partner at the origin that faces along x."""
    one = safety_filter(partners=partners)
    one.state[0]["permit"] = permit(**changes)
    others = [odometry(), odometry((place[0] + 0.5, 0.0, 0.0))][:partners]
    _, action = one.judge(odometry(place, velocity), heard(*others), wrench(*asked))
    return action, one.worries


def test_within_its_corridor_it_comes_nearer_than_the_minimum():
    assert docking() == (Action.PASSED, {})


@pytest.mark.parametrize(
    "changes",
    [
        {"partner": -1},
        {"partner": 1},
        {"place": (0.44, 0.18, 0.0)},
        {"place": (-0.48, 0.0, 0.0), "velocity": (0.01, 0.0, 0.0)},
        {"length": 0.2},
        {"half_width": 0.008, "spread": 0.0},
        {"velocity": (-0.07, 0.0, 0.0)},
    ],
    ids=["none", "for another", "beside it", "behind", "too far along", "not for certain", "too fast"],
)
def test_anywhere_else_it_does_not(changes):
    action, worries = docking(**changes)
    assert action > Action.WARNED
    assert Worry.CLOSE in worries


def test_faster_than_the_corridor_allows_is_what_is_trimmed():
    assert docking(place=(0.7, 0.0, 0.0), velocity=(-0.06, 0.0, 0.0))[0] == Action.PASSED
    action, worries = docking(place=(0.7, 0.0, 0.0), velocity=(-0.079, 0.0, 0.0), asked=(-0.3,))
    assert action > Action.PASSED
    assert Worry.CLOSE not in worries


def test_the_others_keep_their_minimum():
    action, worries = docking(partners=2)
    assert action > Action.WARNED
    assert worries[Worry.CLOSE] == 1


@pytest.mark.parametrize("own_frame", [True, False])
def test_who_is_docked_to_stands_still_by_the_same_corridor_in_its_own_frame(own_frame):
    one = safety_filter()
    one.state[0]["permit"] = permit(own_frame)
    coming = heard(odometry((0.48, 0.0, 0.0), (-0.01, 0.0, 0.0)))
    action = one.judge(odometry(), coming, wrench())[1]
    assert (action == Action.PASSED) == own_frame


@pytest.mark.parametrize(("heading", "near"), [(np.pi, True), (0.0, False)], ids=["in front", "behind"])
def test_flown_it_docks_from_the_front_and_from_nowhere_else(heading, near):
    """Asked to go straight at a partner at rest, at 2 cm/s, with the worst of errors."""
    one = drawn_encounter("table", np.random.default_rng(3), 2, errors=(0.003, 0.001))
    docks, stands = one.bodies
    docks["asks"], docks["speed"], docks["lies"], docks["rate"] = Asks.DASH, 0.02, Lies.STEADY, 0.0
    stands["asks"], stands["rate"], stands["lies"] = Asks.NOTHING, 0.0, Lies.STEADY
    stands["orientation"] = (0.0, 0.0, np.sin(heading / 2), np.cos(heading / 2))
    one.bodies["position"] = one.bodies["velocity"] = one.bodies["pull"] = 0.0
    stands["position"] = (one.minimum + 0.3, 0.0, 0.0)
    for k, own_frame in ((0, False), (1, True)):
        one.states[k]["permit"] = permit(own_frame, apex=(0.1, 0, 0), minimum=one.minimum - 0.15)
    told = one.fly(40.0, 3)
    assert (told["least"] < 0.0) == near
    assert told["least"] > -0.15 + one.keep if near else told["least"] > one.keep
    assert told["said"] == 0
