"""How estimates move: against closed forms, differences, and the bodies themselves in the fixed frame."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.messages import NS_PER_S
from testbed.flight.sight import motion
from testbed.flight.sight.layout import ERRORS, SPIN
from testbed.flight.sight.update import difference, move
from tests.flight.sight.looking import an_estimator, set_track, shifted

STEP_NS = 20_000_000


def own_motions(state, velocities, rates):
    """Put own motions 20 ms apart into the history; velocities and rates (n, 3) along own axes."""
    s = state[0]
    for k, (velocity, rate) in enumerate(zip(velocities, rates, strict=True)):
        own = s["history"][k]
        own["stamp"], own["velocity"], own["rate"] = NS_PER_S + k * STEP_NS, velocity, rate
    s["history_end"] = len(velocities)
    s["anchor"]["stamp"] = NS_PER_S


def still(count):
    return np.zeros((count, 3)), np.zeros((count, 3))


@pytest.mark.parametrize("inertia", [1.5, 0.7])
def test_a_symmetric_body_s_spin_goes_round_its_axis_as_the_closed_form_says(inertia):
    """Landau & Lifshitz, Mechanics, section 36 (from memory): at (J - J')/J' of its spin about the axis."""
    estimator = an_estimator()
    p, s = estimator.parameters[0], estimator.state[0]
    ratio = -math.log(inertia)  # x and y alike, z `inertia` times as much
    s["anchor"]["ratios"], s["anchor"]["spin"] = ratio, (0.1, 0.0, 0.15)
    for _ in range(500):
        own_motions(estimator.state, *still(2))
        motion.carry(p, s, s["anchor"], NS_PER_S + STEP_NS)
    turned = (inertia - 1.0) * 0.15 * 10.0
    expected = 0.1 * math.cos(turned), 0.1 * math.sin(turned), 0.15
    assert s["anchor"]["spin"] == pytest.approx(expected, abs=1e-7)


def test_energy_and_momentum_of_any_body_stay():
    estimator = an_estimator()
    p, s = estimator.parameters[0], estimator.state[0]
    track = s["anchor"]
    track["ratios"], track["spin"], track["orientation"] = (-0.3, 0.1), (0.08, 0.12, -0.05), (0.0, 0.0, 0.6, 0.8)
    inertia = np.array([*np.exp(track["ratios"]), 1.0])

    def kept():
        momentum = Rotation.from_quat(track["orientation"]).apply(inertia * track["spin"])
        return np.array([*momentum, 0.5 * inertia @ track["spin"] ** 2])

    before = kept()
    for _ in range(1000):
        own_motions(estimator.state, *still(2))
        motion.carry(p, s, track, NS_PER_S + STEP_NS)
    assert kept() == pytest.approx(before, rel=1e-5)


def test_a_partner_at_rest_stays_where_it_is_however_the_observer_moves():
    """Own place and turn put together here, in the fixed frame."""
    estimator = an_estimator()
    p, s = estimator.parameters[0], estimator.state[0]
    generator = np.random.default_rng(3)
    dt, count = 1e-9 * STEP_NS, 50
    push, swing = generator.normal(0.0, 0.05, (count, 3)), generator.normal(0.0, 0.1, (count, 3))
    turn, place, velocity, rate = Rotation.random(rng=generator), np.zeros(3), generator.normal(0.0, 0.05, 3), 0.1
    rate = generator.normal(0.0, 0.1, 3)
    partner, heading = turn.apply([1.0, 0.1, 0.0]), Rotation.random(rng=generator)
    velocities, rates, turns, places = [turn.inv().apply(velocity)], [rate], [turn], [place]
    for k in range(count - 1):
        place = place + dt * (velocity + 0.5 * dt * push[k])
        velocity = velocity + dt * push[k]
        turn = turn * Rotation.from_rotvec(dt * (rate + 0.5 * dt * swing[k]))
        rate = rate + dt * swing[k]
        velocities.append(turn.inv().apply(velocity))
        rates.append(rate)
        turns.append(turn)
        places.append(place)
    own_motions(estimator.state, velocities, rates)
    track = s["anchor"]
    track["position"], track["velocity"] = turns[0].inv().apply(partner), -velocities[0]
    track["orientation"] = (turns[0].inv() * heading).as_quat()
    motion.carry(p, s, track, NS_PER_S + (count - 1) * STEP_NS)
    assert track["position"] == pytest.approx(turns[-1].inv().apply(partner - places[-1]), abs=2e-6)
    assert track["velocity"] == pytest.approx(-velocities[-1], abs=1e-9)
    away = Rotation.from_quat(track["orientation"]) * (turns[-1].inv() * heading).inv()
    assert away.magnitude() < 1e-9


@pytest.mark.parametrize("seed", range(3))
def test_the_transition_is_that_of_differences(seed):
    estimator = an_estimator()
    p, generator = estimator.parameters[0], np.random.default_rng(seed)
    own_motions(estimator.state, generator.normal(0.0, 0.05, (2, 3)), generator.normal(0.0, 0.1, (2, 3)))
    track = estimator.state["anchor"].copy()
    set_track(track[0], generator)
    track[0]["stamp"] = NS_PER_S
    track[0]["covariance"] = 0.0

    def carried(start):
        motion.carry(p, estimator.state[0], start[0], NS_PER_S + STEP_NS)
        return start

    end, small = carried(track.copy()), 1e-6
    for e in range(ERRORS):
        # a covariance of one error alone comes out as the square of its column
        start = track.copy()
        start[0]["covariance"][e, e] = 1.0
        noisy, quiet = carried(start)[0]["covariance"], end[0]["covariance"]
        column, error = np.zeros(ERRORS), np.zeros(ERRORS)
        for sign in (1.0, -1.0):
            difference(carried(shifted(move, track, e, sign * small))[0], end[0], error)
            column += sign * error / (2.0 * small)
        assert noisy - quiet == pytest.approx(np.outer(column, column), abs=2e-4), e


def test_own_motion_is_interpolated():
    estimator = an_estimator()
    own_motions(estimator.state, [(0.0, 0.0, 0.0), (0.2, 0.0, 0.0)], [(0.0, 0.0, 0.1), (0.0, 0.0, 0.3)])
    velocity = np.zeros(3)
    rate = motion.own_at(estimator.state[0], 0, NS_PER_S + STEP_NS // 4, velocity)
    assert rate == pytest.approx((0.0, 0.0, 0.15))
    assert velocity == pytest.approx((0.05, 0.0, 0.0))


def test_on_the_table_a_partner_stands_level():
    estimator = an_estimator("table")
    p, s = estimator.parameters[0], estimator.state[0]
    track = s["anchor"]
    track["orientation"], track["position"] = (0.01, 0.0, 0.0, 1.0), (1.0, 0.0, p["height"] + 0.01)
    track["covariance"][SPIN + 2, SPIN + 2] = 0.0  # or its heading would soon be anything
    for _ in range(round(5.0 * motion.HELD_TIME / 0.02)):
        own_motions(estimator.state, *still(2))
        motion.carry(p, s, track, NS_PER_S + STEP_NS)
    assert track["position"][2] == pytest.approx(p["height"], abs=1e-4)
    assert Rotation.from_quat(track["orientation"]).magnitude() < 3e-4
    deviation = np.sqrt(np.diag(track["covariance"]))
    assert deviation[2] == pytest.approx(motion.HELD_HEIGHT, rel=1e-3)
    assert deviation[6:8] == pytest.approx(motion.HELD_LEAN, rel=0.05)
    assert deviation[[5, 9, 10]] == pytest.approx(0.0)
