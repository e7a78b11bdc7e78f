"""A trajectory's knots against scipy's cubic Hermite spline, the attitude between them, its ends, how it is joined."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.axes import CABIN_AXES
from testbed.description.messages import MAX_KNOTS, NS_PER_S
from testbed.flight.guidance import Guidance, joining, trajectory
from testbed.flight.guidance.memory import MOTION
from tests.flight.example_vehicle import vehicle

SEEDS = st.integers(0, 2**32 - 1)
STAMP = 5 * NS_PER_S
STEP = 1e-5
"""For central differences, s; their error goes with its square."""


def drawn(seed, count=None):
    """A messages.TRAJECTORY of so many knots that turns by less than half a turn from knot to knot."""
    rng = np.random.default_rng(seed)
    count = count or int(rng.integers(2, MAX_KNOTS + 1))
    record = np.zeros(1, messages.TRAJECTORY)
    one = record[0]
    one["stamp"], one["number"], one["count"] = STAMP, 1, count
    one["offset"][:count] = np.cumsum(rng.integers(NS_PER_S // 2, 5 * NS_PER_S, count))
    turns = Rotation.from_rotvec(rng.uniform(-0.7, 0.7, (count, 3)))
    attitude = Rotation.identity()
    for k in range(count):
        attitude = attitude * turns[k]
        one["orientation"][k] = attitude.as_quat()
    for name in ("position", "velocity", "rate"):
        one[name][:count] = 0.3 * rng.normal(size=(count, 3))
    return record, rng


def knots_of(record):
    knots = np.zeros(1, trajectory.KNOTS)[0]
    assert trajectory.sound(record[0])
    trajectory.take(record[0], knots)
    return knots


def at(knots, time, follow=trajectory.follow):
    motion = np.zeros(1, MOTION)[0]
    follow(knots, time, motion)
    return motion


def differences(knots, time, follow=trajectory.follow):
    """Velocity and rate along body axes at `time`, by central differences of the pose."""
    before, after = (at(knots, time + sign * STEP, follow) for sign in (-0.5, 0.5))
    turn = Rotation.from_quat(before["orientation"]).inv() * Rotation.from_quat(after["orientation"])
    return (after["position"] - before["position"]) / STEP, turn.as_rotvec() / STEP


@settings(deadline=None, max_examples=60)
@given(SEEDS)
def test_positions_are_the_cubic_hermite_spline_through_the_knots(seed):
    record, rng = drawn(seed)
    knots, one = knots_of(record), record[0]
    count = one["count"]
    times = one["offset"][:count] / NS_PER_S
    expected = CubicHermiteSpline(times, one["position"][:count], one["velocity"][:count])
    for time in rng.uniform(times[0], times[-1], 20):
        motion = at(knots, time)
        assert motion["position"] == pytest.approx(expected(time), abs=1e-11)
        assert motion["velocity"] == pytest.approx(expected(time, 1), abs=1e-11)


@settings(deadline=None, max_examples=60)
@given(SEEDS)
def test_a_knot_is_passed_as_it_says_from_either_side(seed):
    record, rng = drawn(seed)
    knots, one = knots_of(record), record[0]
    k = int(rng.integers(1, one["count"]))
    for time in (one["offset"][k] / NS_PER_S, one["offset"][k] / NS_PER_S - 1e-9):
        motion = at(knots, time)
        turn = Rotation.from_quat(motion["orientation"])
        assert (turn.inv() * Rotation.from_quat(one["orientation"][k])).magnitude() < 1e-7
        assert turn.apply(motion["rate"]) == pytest.approx(one["rate"][k], abs=1e-7)
        assert motion["position"] == pytest.approx(one["position"][k], abs=1e-7)
        assert motion["velocity"] == pytest.approx(one["velocity"][k], abs=1e-7)


@settings(deadline=None, max_examples=60)
@given(SEEDS)
def test_velocity_and_rate_are_those_of_the_pose(seed):
    record, rng = drawn(seed)
    knots = knots_of(record)
    k = int(rng.integers(record[0]["count"] - 1))
    time = knots["time"][k] + rng.uniform(0.01, 0.99) * (knots["time"][k + 1] - knots["time"][k])
    velocity, rate = differences(knots, time)
    motion = at(knots, time)
    assert motion["velocity"] == pytest.approx(velocity, abs=1e-8)
    assert motion["rate"] == pytest.approx(rate, abs=1e-7)


def test_after_the_last_knot_it_goes_on_with_its_velocity_and_rate():
    record, _ = drawn(3, count=4)
    knots, one = knots_of(record), record[0]
    assert trajectory.goes_on(knots)
    motion = at(knots, one["offset"][3] / NS_PER_S + 10.0)
    assert motion["position"] == pytest.approx(one["position"][3] + 10.0 * one["velocity"][3])
    turned = Rotation.from_rotvec(10.0 * one["rate"][3]) * Rotation.from_quat(one["orientation"][3])
    assert (turned.inv() * Rotation.from_quat(motion["orientation"])).magnitude() < 1e-12


@pytest.mark.parametrize("count", [1, 2, MAX_KNOTS])
def test_after_a_last_knot_at_rest_it_stays_there(count):
    record, _ = drawn(4, count)
    record["velocity"][0, count - 1] = record["rate"][0, count - 1] = 0.0
    knots = knots_of(record)
    assert not trajectory.goes_on(knots)
    motion = at(knots, 1e4)
    assert motion["position"].tolist() == record[0]["position"][count - 1].tolist()
    assert not motion["velocity"].any()
    assert not motion["rate"].any()


@settings(deadline=None, max_examples=60)
@given(SEEDS)
def test_whatever_motion_it_is_joined_from_nothing_jumps_and_the_difference_fades(seed):
    record, rng = drawn(seed)
    guidance = Guidance(vehicle(), "cabin", CABIN_AXES)
    p, s = guidance.parameters[0], guidance.state[0]
    s["maneuver"]["speed_limit"], s["maneuver"]["rate_limit"] = 0.05, 0.1
    one, before = s["present"], s["pulse_start"]
    one["knots"] = knots_of(record)
    before["position"], before["velocity"], before["rate"] = 0.2 * rng.normal(size=(3, 3))
    before["orientation"] = Rotation.from_rotvec(rng.uniform(-1.5, 1.5, 3)).as_quat()
    kept = before.copy()
    odometry = np.zeros(1, messages.ODOMETRY)[0]
    odometry["orientation"][3] = 1.0
    begin = float(rng.uniform(0.0, knots_of(record)["time"][record[0]["count"] - 1]))
    joining.join(p, s, one, STAMP + round(begin * NS_PER_S), odometry)
    assert one["begin"] == pytest.approx(begin, abs=1e-9)
    first = at(one, one["begin"], joining.follow)
    for name in ("position", "velocity", "rate"):
        assert first[name] == pytest.approx(kept[name], abs=1e-11), name
    assert abs(first["orientation"] @ kept["orientation"]) == pytest.approx(1.0, abs=1e-12)
    time = one["begin"] + float(rng.uniform(0.01, 0.99)) * one["fade"]
    velocity, rate = differences(one, time, joining.follow)
    among = at(one, time, joining.follow)
    assert among["velocity"] == pytest.approx(velocity, abs=1e-7)
    assert among["rate"] == pytest.approx(rate, abs=1e-7)
    last = one["begin"] + one["fade"] * (1.0 + 1e-12)
    assert at(one, last, joining.follow) == at(one["knots"], last)
    shortly_before, there = at(one, last - 1e-6, joining.follow), at(one["knots"], last - 1e-6)
    for name in ("position", "velocity", "rate"):
        assert shortly_before[name] == pytest.approx(there[name], abs=1e-5), name


def test_a_fade_keeps_its_share_of_speed_and_authority():
    guidance = Guidance(vehicle(), "cabin", CABIN_AXES)
    p, s = guidance.parameters[0], guidance.state[0]
    s["maneuver"]["speed_limit"], s["maneuver"]["rate_limit"] = 0.05, 0.1
    one = s["present"]
    for axis in range(6):
        one["offset"], one["slope"] = 0.0, 0.0
        one["offset"][axis] = 0.4
        one["fade"] = joining.fade_time(p, s, one)
        u = np.linspace(0.0, 1.0, 2001)
        speed = np.array([joining.changing(one, axis, part) for part in u])
        limit = 0.05 if axis < 3 else 0.1
        mass = p["mass"] if axis < 3 else p["inertia"][axis - 3, axis - 3]
        acceleration = np.abs(np.diff(speed)).max() / (one["fade"] / 2000)
        assert np.abs(speed).max() <= joining.FADE_SHARE * limit * (1.0 + 1e-9)
        assert acceleration <= joining.FADE_SHARE * p["share"] * p["authority"][axis] / mass * (1.0 + 1e-9)
