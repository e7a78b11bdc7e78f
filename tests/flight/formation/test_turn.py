"""Attitude on the way to a slot."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.flight.formation.frame import Frame, Slot
from testbed.flight.formation.turn import Turn

SMALL = st.tuples(*[st.floats(-0.1, 0.1)] * 3)
ATTITUDE = st.tuples(*[st.floats(-1.0, 1.0)] * 3).map(lambda v: tuple(Rotation.from_rotvec(v).as_quat().tolist()))
SLOT = st.builds(lambda a, w, b: Slot(Frame((0.0, 0.0, 0.0), a, rate=w), (1.0, 0.0, 0.0), b), ATTITUDE, SMALL, ATTITUDE)
TURN = st.builds(Turn, SLOT, ATTITUDE, SMALL, st.just(3.0), st.just(40.0))


@given(TURN)
def test_it_begins_with_the_vehicles_attitude_and_rate_and_ends_with_the_slots(turn):
    orientation, rate = turn.at(turn.time)
    assert same(orientation, turn.orientation)
    assert rate == pytest.approx(turn.rate, abs=1e-9)
    end = turn.time + turn.duration
    orientation, rate = turn.at(end)
    slot = turn.slot.orientations(np.array([end]))[0]
    assert same(orientation, slot.as_quat())
    assert rate == pytest.approx(slot.inv().apply(turn.slot.frame.rate), abs=1e-9)


@given(TURN, st.floats(3.1, 42.9))
def test_the_rate_is_that_of_the_orientation(turn, time):
    step = 1e-4
    before, after = (Rotation.from_quat(turn.at(time + sign * step)[0]) for sign in (-1.0, 1.0))
    assert (before.inv() * after).as_rotvec() / (2.0 * step) == pytest.approx(turn.at(time)[1], abs=1e-4)


@given(TURN)
def test_many_times_give_the_same_as_each_of_them(turn):
    times = np.array([2.0, 3.0, 17.0, 43.0, 60.0])
    orientations, rates = turn.during(times)
    each = [turn.at(float(time)) for time in times]
    assert orientations == pytest.approx(np.array([one[0] for one in each]), abs=1e-12)
    assert rates == pytest.approx(np.array([one[1] for one in each]), abs=1e-12)


def same(one, other):
    return (Rotation.from_quat(one).inv() * Rotation.from_quat(other)).magnitude() == pytest.approx(0.0, abs=1e-7)
