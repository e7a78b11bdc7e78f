"""The guard passes what guidance may ask for, takes out what would break a limit, and brakes before one, not at it."""

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description import messages
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.flight_limits import FlightLimits
from testbed.flight.guard import REFUSALS, Action, Guard, Objection, memory
from testbed.flight.guard.memory import ABSURD_MULTIPLE
from tests.flight.example_vehicle import THRUST, vehicle

AXES = {"table": TABLE_AXES, "cabin": CABIN_AXES}
LARGEST_FORCE = 4 * 0.5 * THRUST / 2 + 2 * THRUST
"""Along y two canted valves give half their thrust and two straight ones all of it, N."""
HARD_FORCE = 2 * THRUST * math.cos(math.radians(30.0))
"""Along x two canted valves: the least force along any axis, N."""
LIMITS = FlightLimits(0.06, math.radians(10.0), 0.5, ((-1.0, -0.8, -0.7), (1.0, 0.8, 0.7)))
START = messages.LOCKSTEP_START_NS
ODD_NUMBERS = [math.nan, math.inf, -math.inf, 1e300, -1e300, 1e160, 5e-324, -5e-324, 1e-310, 0.0, -0.0]


def guard(place="table", limits=LIMITS, **changes):
    return Guard(vehicle(**changes), place, AXES[place], limits)


def odometry(position=(0.0, 0.0, 0.0), velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.0), stamp=START, heading=0.0):
    """Certain knowledge, the velocity along fixed axes."""
    record = np.zeros(1, messages.ODOMETRY)
    cosine, sine = math.cos(heading), math.sin(heading)
    x, y, z = velocity
    record["stamp"], record["position"], record["angular_velocity"] = stamp, position, rate
    record["orientation"] = [0.0, 0.0, math.sin(heading / 2), math.cos(heading / 2)]
    record["linear_velocity"] = [cosine * x + sine * y, cosine * y - sine * x, z]
    return record


def wrench(*six, stamp=START):
    record = np.zeros(1, messages.WRENCH)
    values = (*six, *(0.0,) * (6 - len(six)))
    record["stamp"], record["force"], record["torque"] = stamp, values[:3], values[3:]
    return record


def unknown():
    record = odometry()
    record["pose_covariance"] = record["twist_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
    return record


class TestRefusal:
    @pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
    @pytest.mark.parametrize("where", range(6))
    def test_a_wrench_that_is_not_finite_is_refused_whatever_the_axis(self, value, where):
        one = guard()
        six = [0.0] * 6
        six[where] = value
        passed, action = one.judge(odometry(), wrench(*six))
        assert action == Action.CLOSED
        assert not passed.any()
        assert one.objections == {Objection.NOT_FINITE: Action.CLOSED}

    def test_refusals_are_counted_by_reason(self):
        one = guard()
        nan, huge = math.nan, 1e6
        for six in ((0.0,), (0.0, huge), (0.0,) * 4 + (huge,), (0.0,) * 5 + (nan,), (huge,) + (0.0,) * 4 + (nan,)):
            one.judge(odometry(), wrench(*six))
        refused = one.state[0]["refused"]
        assert {reason: refused[reason] for reason in REFUSALS} == {Objection.NOT_FINITE: 2, Objection.ABSURD: 2}

    def test_absurd_begins_at_the_stated_multiple_of_what_the_valves_give(self):
        one, limit = guard(), ABSURD_MULTIPLE * LARGEST_FORCE
        one.judge(odometry(), wrench(0.999 * limit))
        assert Objection.ABSURD not in one.objections
        one.judge(odometry(), wrench(0.0, -1.001 * limit))
        assert one.objections == {Objection.ABSURD: Action.CLOSED}

    def test_a_refused_wrench_does_not_let_the_vehicle_coast_over_the_edge(self):
        one = guard()
        passed, action = one.judge(odometry((0.95, 0.0, 0.0), (0.05, 0.0, 0.0)), wrench(math.nan))
        assert action == Action.BRAKED
        assert passed[0] < 0.0
        assert one.objections == {Objection.NOT_FINITE: Action.CLOSED, Objection.WORK_AREA: Action.BRAKED}


class TestSpeed:
    def test_a_wrench_that_keeps_the_limit_passes_bit_for_bit(self):
        asked = wrench(0.1, 0.05, 0.0, 0.0, 0.0, 0.01)
        passed, action = guard().judge(odometry(velocity=(0.05, 0.0, 0.0)), asked)
        assert action == Action.PASSED
        assert passed.tolist() == [*asked[0]["force"], *asked[0]["torque"]]

    def test_what_would_exceed_it_is_trimmed_to_reach_it_exactly_and_no_more(self):
        one, mass = guard(), 13.0
        passed, action = one.judge(odometry(velocity=(0.0595, 0.0, 0.0)), wrench(0.2, 0.01))
        assert action == Action.TRIMMED
        assert one.objections == {Objection.SPEED: Action.TRIMMED}
        later = np.array([0.0595, 0.0]) + passed[:2] / mass * 0.1
        assert math.hypot(*later) == pytest.approx(0.06, rel=1e-9)

    def test_a_push_backward_passes_however_strong(self):
        assert guard().judge(odometry(velocity=(0.06, 0.0, 0.0)), wrench(-1.0))[1] == Action.PASSED

    def test_a_push_beyond_the_valves_counts_only_for_what_they_give(self):
        """Ten times what they have would reach 0.07 m/s within the period; they have 2 mm/s to give."""
        assert guard().judge(odometry(velocity=(0.057, 0.0, 0.0)), wrench(10 * HARD_FORCE))[1] == Action.PASSED

    def test_already_too_fast_it_brakes_even_if_nothing_is_asked(self):
        passed, action = guard().judge(odometry(velocity=(0.08, 0.0, 0.0)), wrench())
        assert action == Action.TRIMMED
        assert passed[0] == pytest.approx(-13.0 * 0.02 / 0.1)

    def test_three_standard_deviations_of_doubt_are_taken_off(self):
        one, doubtful = guard(), odometry(velocity=(0.0545, 0.0, 0.0))
        doubtful["twist_covariance"] = 0.002**2 * np.eye(6)
        assert one.judge(odometry(velocity=(0.0545, 0.0, 0.0)), wrench())[1] == Action.PASSED
        assert one.judge(doubtful, wrench())[1] == Action.TRIMMED

    def test_the_contact_energy_is_a_speed_and_is_named(self):
        one = guard(limits=FlightLimits(0.06, 1.0, 0.5 * 13.0 * 0.03**2))
        one.judge(odometry(velocity=(0.0299, 0.0, 0.0)), wrench(0.2))
        assert one.objections == {Objection.CONTACT_ENERGY: Action.TRIMMED}

    def test_spin_is_trimmed_and_the_push_beside_it_is_not(self):
        one = guard()
        limit = LIMITS.spin
        passed, _ = one.judge(odometry(rate=(0.0, 0.0, 0.999 * limit)), wrench(0.1, 0.0, 0.0, 0.0, 0.0, 0.03))
        assert one.objections == {Objection.SPIN: Action.TRIMMED}
        assert passed[0] == pytest.approx(0.1)
        assert 0.999 * limit + passed[5] / 0.24 * 0.1 == pytest.approx(limit)


class TestWorkArea:
    def test_it_brakes_before_the_edge_so_that_the_stop_lies_inside(self):
        """The way to stop, with the deceleration relied on, to within one step of a sweep towards the edge."""
        one, speed = guard(), 0.05
        share, drift = (1.0 - 0.12) * 0.9, 2.0e-3
        braking = share * HARD_FORCE / 13.0 - drift
        wait = 0.02 + 0.0065
        way = speed * (wait + 0.1) + 0.5 * speed**2 / braking
        for before, after in pairwise(np.arange(0.7, 0.99, 0.001)):
            if one.judge(odometry((after, 0.0, 0.0), (speed, 0.0, 0.0)), wrench())[1] != Action.PASSED:
                assert before - 0.001 <= 1.0 - way <= after + 0.001
                return
        raise AssertionError("it never braked")

    @pytest.mark.parametrize("heading", [0.0, 1.0, 3.0])
    @pytest.mark.parametrize("sense", [1.0, -1.0])
    def test_the_brake_is_against_the_motion_whatever_the_heading(self, heading, sense):
        passed, action = guard().judge(
            odometry((0.0, 0.79 * sense, 0.0), (0.0, 0.05 * sense, 0.0), heading=heading), wrench()
        )
        assert action == Action.BRAKED
        force = passed[0] * math.sin(heading) + passed[1] * math.cos(heading)
        assert force * sense < 0.0
        assert passed[0] * math.cos(heading) - passed[1] * math.sin(heading) == pytest.approx(0.0, abs=1e-9)

    def test_outside_what_leads_back_in_passes_and_what_leads_out_does_not(self):
        one, outside = guard(), (1.2, 0.0, 0.0)
        assert one.judge(odometry(outside), wrench(-0.2))[1] == Action.PASSED
        assert one.judge(odometry(outside, (-0.03, 0.0, 0.0)), wrench(-0.1, 0.1))[1] == Action.PASSED
        passed, action = one.judge(odometry(outside), wrench(0.2, 0.1))
        assert action == Action.TRIMMED
        assert passed[0] == pytest.approx(-13.0 * self.PULLED / 0.1), "back, by what pulls until the next wrench"
        assert passed[1] == pytest.approx(0.1)

    PULLED = 2.0e-3 * (0.02 + 0.0065 + 0.1)
    """Speed that a slope of 0.2 mrad adds until the next wrench acts, m/s."""

    @pytest.mark.parametrize("sense", [1.0, -1.0])
    def test_outside_it_leads_back_as_fast_as_the_speed_is_doubtful(self, sense):
        """A full push for a period: what is asked for after it is out of reach of the valves."""
        one, doubtful = guard(), odometry((1.2 * sense, 0.0, 0.0))
        doubtful["twist_covariance"] = 0.001**2 * np.eye(6)
        passed, action = one.judge(doubtful, wrench(0.2 * sense))
        assert (action, one.objections) == (Action.TRIMMED, {Objection.WORK_AREA: Action.TRIMMED})
        assert passed[0] == pytest.approx(-sense * 13.0 * (3.0 * 0.001 + self.PULLED) / 0.1)
        doubtful["linear_velocity"][0, 0] = -sense * (3.0 * 0.001 + self.PULLED)
        assert one.judge(doubtful, wrench())[1] == Action.PASSED, "then it coasts back"

    def test_the_way_back_takes_no_more_than_doubt_leaves_of_the_speed_limit(self):
        one, doubtful = guard(), odometry((1.2, 0.0, 0.0))
        doubtful["twist_covariance"] = 0.015**2 * np.eye(6)
        one.judge(doubtful, wrench(0.2))
        assert one.state[0]["way_back"] == pytest.approx(0.5 * LIMITS.speed)

    def test_where_either_edge_may_have_been_passed_it_goes_to_neither(self):
        one, lost = guard(), odometry()
        lost["pose_covariance"] = 0.5**2 * np.eye(6)
        for push in (0.2, -0.2):
            passed, _ = one.judge(lost, wrench(push, 0.1))
            assert passed[:2] == pytest.approx([0.0, 0.0], abs=1e-12)

    @pytest.mark.parametrize("wrong", [-0.95, 0.0, 0.95])
    def test_an_error_of_the_speed_that_stays_does_not_let_it_creep_out(self, wrong):
        """Pushed outward for five minutes, told a speed that is `wrong` by that share of three deviations all the time.

        The wrench acts in the period after it, as with valves that are late; the floor pulls outward, too.
        """
        one, deviation, period, position, speed, coming = guard(), 0.001, 0.1, 0.9, 0.0, 0.0
        farthest, told = position, 0
        for number in range(3000):
            stamp = START + number * 100_000_000
            now = odometry((position, 0.0, 0.0), (speed - wrong * 3.0 * deviation, 0.0, 0.0), stamp=stamp)
            now["twist_covariance"] = deviation**2 * np.eye(6)
            one.state[0]["coming"][0] = coming
            passed, _ = one.judge(now, wrench(0.3, stamp=stamp))
            told += bool(one.objections)
            wait = 0.0265
            before = speed + (coming / 13.0 + 2.0e-3 * wait)
            after = before + (passed[0] / 13.0 + 2.0e-3) * (period - wait)
            position += 0.5 * (speed + before) * wait + 0.5 * (before + after) * (period - wait)
            speed, coming = after, passed[0] * wait
            farthest = max(farthest, position)
        assert told > 1000
        assert 0.9 < farthest <= 1.0

    def test_a_brake_stays_on_until_the_vehicle_stands_or_there_is_room_to_spare(self):
        one = guard()
        here = odometry((0.93, 0.0, 0.0), (0.05, 0.0, 0.0))
        assert one.judge(here, wrench())[1] == Action.BRAKED
        still_fast = odometry((0.932, 0.0, 0.0), (0.04, 0.0, 0.0))
        assert Guard(vehicle(), "table", TABLE_AXES, LIMITS).judge(still_fast, wrench(-0.2))[1] == Action.PASSED
        assert one.judge(still_fast, wrench(-0.2))[1] == Action.BRAKED
        assert one.judge(odometry((0.95, 0.0, 0.0), (0.0, 0.0, 0.0)), wrench())[1] == Action.PASSED

    def test_doubt_about_the_position_is_kept_from_the_edge(self):
        one, doubtful = guard(), odometry((0.945, 0.0, 0.0), (0.01, 0.0, 0.0))
        assert one.judge(doubtful, wrench())[1] == Action.PASSED
        doubtful["pose_covariance"] = 0.02**2 * np.eye(6)
        assert one.judge(doubtful, wrench())[1] != Action.PASSED

    def test_on_the_table_height_does_not_count(self):
        assert guard().judge(odometry((0.0, 0.0, 5.0)), wrench(0.1))[1] == Action.PASSED
        assert guard("cabin").judge(odometry((0.0, 0.0, 5.0)), wrench(0.0, 0.0, 0.1))[1] == Action.TRIMMED


class TestWithoutAFix:
    def test_only_no_wrench_at_all_passes(self):
        one = guard()
        assert one.judge(unknown(), wrench())[1] == Action.PASSED
        assert not one.objections
        passed, action = one.judge(unknown(), wrench(0.1))
        assert (action, passed.any()) == (Action.CLOSED, False)
        assert one.objections == {Objection.NO_FIX: Action.CLOSED}

    def test_where_only_the_motion_is_known_what_makes_nothing_faster_passes(self):
        lost = odometry(velocity=(0.03, 0.0, 0.0))
        lost["pose_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
        one = guard()
        assert one.judge(lost, wrench(-0.1))[1] == Action.PASSED
        passed, _ = one.judge(lost, wrench(0.1))
        assert passed[0] == pytest.approx(0.0, abs=1e-9)
        assert one.objections == {Objection.NO_FIX: Action.TRIMMED}

    @pytest.mark.parametrize("age", [-1, 100_000_001])
    def test_an_odometry_of_another_time_says_nothing(self, age):
        one = guard()
        one.judge(odometry(stamp=START - age), wrench(0.1))
        assert one.objections == {Objection.NO_FIX: Action.CLOSED}

    def test_not_permitted_nothing_is_weighed_but_numbers_still_are(self):
        one = guard()
        assert one.judge(unknown(), wrench(0.1), permitted=False)[1] == Action.PASSED
        assert one.judge(unknown(), wrench(math.nan), permitted=False)[1] == Action.CLOSED


FIELDS = [
    *(("odometry", name, (k,)) for name, size in (("position", 3), ("orientation", 4)) for k in range(size)),
    *(("odometry", name, (k,)) for name in ("linear_velocity", "angular_velocity") for k in range(3)),
    *(("odometry", name, (k, k)) for name in ("pose_covariance", "twist_covariance") for k in range(6)),
    *(("odometry", name, (0, 5)) for name in ("pose_covariance", "twist_covariance")),
    *(("wrench", name, (k,)) for name in ("force", "torque") for k in range(3)),
]


@pytest.mark.parametrize("place", ["table", "cabin"])
@pytest.mark.parametrize(("record", "name", "where"), FIELDS, ids=str)
def test_whatever_number_stands_in_a_field_what_goes_on_is_finite_and_within_the_limits(place, record, name, where):
    for value in ODD_NUMBERS:
        one = guard(place)
        records = {
            "odometry": odometry((0.3, 0.2, 0.1), (0.03, -0.02, 0.0), (0.0, 0.0, 0.05)),
            "wrench": wrench(0.1, -0.1, 0.0, 0.0, 0.0, 0.01),
        }
        records[record][0][name][where] = value
        passed, action = one.judge(records["odometry"], records["wrench"])
        assert np.isfinite(passed).all()
        if action == Action.PASSED:
            assert np.abs(passed).max() < 1.0
        if record == "wrench" and not math.isfinite(value):
            assert Objection.NOT_FINITE in one.objections
        if record == "wrench" and math.isfinite(value) and abs(value) > 1e100:
            assert Objection.ABSURD in one.objections


three = st.tuples(*[st.floats(-1.0, 1.0)] * 3)


@settings(deadline=None, max_examples=300)
@given(three, three, three, three, three, st.sampled_from(["table", "cabin"]))
def test_what_goes_on_is_never_worse_than_no_wrench_and_never_breaks_what_was_kept(
    position, velocity, rate, force, torque, place
):
    """Speed and spin after the period are within the limit, or less than they are now."""
    one = guard(place)
    free = np.array([1, 1, 0, 0, 0, 1] if place == "table" else [1] * 6, float)
    now = odometry(position, 0.08 * np.array(velocity) * free[:3], 0.25 * np.array(rate) * free[3:])
    one.judge(now, wrench(*(free[:3] * force), *(0.1 * free[3:] * torque)))
    s = one.state[0]
    if one.objections:
        for later, before, limit in (("later", "velocity", LIMITS.speed), ("later_rate", "rate", LIMITS.spin)):
            assert np.linalg.norm(s[later]) <= max(limit, np.linalg.norm(s[before])) * (1.0 + 1e-6)
    assert np.isfinite(s["passed"]).all()


def test_quiet_windows_leave_a_brake_less_to_rely_on():
    one = vehicle()
    limits = FlightLimits.of(one, "cabin")
    whole, half = (memory.parameters_of(one, "cabin", CABIN_AXES, limits, usable)[0] for usable in (1.0, 0.5))
    drift = memory.DRIFT["cabin"]
    assert half["slowest_push"] + drift == pytest.approx(0.5 * (whole["slowest_push"] + drift))
    assert half["slowest_turn"] == pytest.approx(0.5 * whole["slowest_turn"])
