"""A leg against the closed forms of a double integrator, and its continuity."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.flight.guidance import leg

positive = st.floats(1e-3, 10.0)


def a_leg(length=0.0, acceleration=1.0, speed_limit=1.0, brake_speed=0.0, deceleration=1.0):
    record = np.zeros(1, leg.LEG)[0]
    record["length"], record["brake_speed"], record["deceleration"] = length, brake_speed, deceleration
    leg.set_move(record, acceleration, speed_limit)
    return record


@settings(deadline=None)
@given(length=positive, acceleration=positive)
def test_without_a_speed_limit_a_move_takes_two_roots_of_length_over_acceleration(length, acceleration):
    one = a_leg(length, acceleration, speed_limit=1e6)
    assert leg.move_time(one) == pytest.approx(2.0 * math.sqrt(length / acceleration), rel=1e-12)


@settings(deadline=None)
@given(length=positive, acceleration=positive, limit=positive)
def test_a_move_keeps_its_limits_and_ends_where_it_should_at_rest(length, acceleration, limit):
    one = a_leg(length, acceleration, limit)
    total = leg.move_time(one)
    times = np.linspace(-0.1 * total, 1.1 * total, 500)
    covered, speed = np.array([leg.along_move(one, t) for t in times]).T
    assert np.all(np.diff(covered) >= -1e-12)
    assert speed.max() <= min(limit, math.sqrt(acceleration * length)) * (1.0 + 1e-9)
    assert np.abs(np.diff(speed)).max() <= acceleration * (times[1] - times[0]) * (1.0 + 1e-9)
    assert (covered[0], covered[-1], speed[0], speed[-1]) == (0.0, length, 0.0, 0.0)


@settings(deadline=None)
@given(length=positive, acceleration=positive, limit=positive)
def test_the_speed_is_the_slope_of_the_length(length, acceleration, limit):
    one = a_leg(length, acceleration, limit)
    total = leg.move_time(one)
    step = 1e-4 * total
    for time in np.linspace(0.0, total, 23)[1:-1]:
        ahead, behind = leg.along_move(one, time + step)[0], leg.along_move(one, time - step)[0]
        assert (ahead - behind) / (2.0 * step) == pytest.approx(
            leg.along_move(one, time)[1], abs=acceleration * step + 1e-9
        )


@settings(deadline=None)
@given(speed=positive, deceleration=positive)
def test_a_brake_stops_after_speed_squared_over_twice_the_deceleration(speed, deceleration):
    one = a_leg(brake_speed=speed, deceleration=deceleration)
    assert leg.brake_length(one) == pytest.approx(speed**2 / (2.0 * deceleration))
    length, last = leg.along_brake(one, leg.brake_time(one) + 5.0)
    assert length == pytest.approx(leg.brake_length(one))
    assert last == pytest.approx(0.0, abs=1e-12)


def test_the_move_begins_where_the_brake_ends():
    one = a_leg(length=2.0, brake_speed=0.5, deceleration=0.25)
    assert leg.along_move(one, 2.0) == (0.0, 0.0)
    assert leg.along_move(one, 2.1)[0] == pytest.approx(0.5 * 0.1**2)


@settings(deadline=None)
@given(length=st.one_of(st.just(0.0), positive), acceleration=positive, limit=positive, brake=st.floats(0.0, 1.0))
def test_the_changes_of_speed_that_are_left_are_those_of_the_speed_from_then_on(length, acceleration, limit, brake):
    one = a_leg(length, acceleration, limit, brake, 0.7)
    total = leg.brake_time(one) + leg.move_time(one)
    times = np.linspace(0.0, total, 2001)
    speed = np.array([leg.along_brake(one, t)[1] - leg.along_move(one, t)[1] for t in times])
    left = np.array([sum(leg.changes_left(one, t)) for t in times])
    changed = np.append(np.cumsum(np.abs(np.diff(speed))[::-1])[::-1], 0.0)
    step = max(acceleration, 0.7) * total / 2000
    assert left == pytest.approx(changed, abs=3.0 * step + 1e-9)
    assert leg.changes_left(one, total + 1.0) == pytest.approx((0.0, 0.0), abs=1e-12)
