"""When each vehicle is where, against closed forms."""

import math
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from testbed.plan.checks.subject import Subject
from testbed.plan.criteria_schema import Spin
from testbed.plan.flight_limits import fastest_planned
from testbed.plan.maneuvers import Rotate, Translate
from testbed.plan.poses import PlannedPose
from testbed.plan.profile import Profile
from testbed.plan.progress import maneuver
from testbed.plan.schema import SessionLimits
from testbed.plan.timeline import timeline
from tests.plan.world import configuration, with_run


def test_a_short_move_is_limited_by_thrust_alone():
    """t = 2·sqrt(d/a)."""
    assert Profile(0.5, 0.02, 9.0).duration == pytest.approx(2.0 * math.sqrt(0.5 / 0.02))


def test_a_long_move_coasts_at_the_speed_limit():
    """t = d/v + v/a."""
    assert Profile(1.0, 0.012, 0.06).duration == pytest.approx(1.0 / 0.06 + 0.06 / 0.012)


def test_nowhere_takes_no_time_and_without_thrust_nothing_is_reached():
    assert Profile(0.0, 0.0, 0.06).duration == 0.0
    assert Profile(1.0, 0.0, 0.06).duration == math.inf


profiles = st.builds(Profile, st.floats(0.01, 5.0), st.floats(0.001, 1.0), st.floats(0.01, 1.0))


@given(profiles, st.floats(0.0, 1.0))
def test_progress_is_symmetric_and_arrives(profile, share):
    time = share * profile.duration
    forth, back = profile.progress(time), profile.distance - profile.progress(profile.duration - time)
    assert forth == pytest.approx(back, abs=1e-9)
    assert profile.progress(profile.duration) == profile.distance


@given(profiles)
def test_speed_never_exceeds_its_limit_and_adds_up_to_the_distance(profile):
    step = profile.duration / 200
    covered = [profile.progress(step * index) for index in range(201)]
    speeds = [(b - a) / step for a, b in pairwise(covered)]
    assert max(speeds) <= profile.speed * (1.0 + 1e-6)
    assert min(speeds) >= -1e-9


def test_the_duration_is_the_integral_of_one_over_speed():
    """Another way to the same number: dt = dx / v(x), with v² = 2·a·x in the ramps."""
    profile = Profile(1.0, 0.012, 0.06)
    speed = lambda x: min(0.06, math.sqrt(2 * 0.012 * x), math.sqrt(2 * 0.012 * (1.0 - x)))  # noqa: E731
    value, _ = quad(lambda x: 1.0 / speed(x), 0.0, 1.0, points=[0.15, 0.85], limit=200)
    assert profile.duration == pytest.approx(value, rel=1e-4)


def test_a_metre_on_the_floor_takes_about_21_seconds():
    lab = configuration("first-float")
    steps = [{"kind": "translate", "x": 0.75, "y": 0.0}]
    run = type(lab.plan.runs[0]).model_validate({**lab.plan.runs[0].model_dump(), "maneuvers": {"wren": steps}})
    lab = with_run(lab, maneuvers=run.maneuvers)
    subject = Subject.of(lab)
    assert subject.timelines[0].duration == pytest.approx(21.5, abs=1.0)


def test_the_demo_runs_take_four_to_six_minutes_in_all():
    lab = configuration("demo")
    subject = Subject.of(lab)
    flown = sum(times.duration + run.settle for _, run, _, times in subject.runs)
    assert 220.0 < flown < 360.0


def test_together_means_that_each_maneuver_begins_when_all_are_done():
    lab = configuration("demo")
    subject = Subject.of(lab)
    wedge = subject.timelines[2]
    assert {legs[1].begin for legs in wedge.legs.values()} == {35.0}
    apart = timeline(lab, lab.plan.runs[2].model_copy(update={"together": False}), subject.poses[2])
    assert apart.legs["wren"][1].begin < 25.0


@pytest.mark.parametrize(("limits", "share"), [({}, 1.0), ({"speed": 0.04, "spin_deg": 8.0}, 0.5)])
def test_moves_by_time_and_by_gas_are_planned_with_nine_tenths_of_the_lowest_limit(limits, share):
    lab = configuration("first-float")
    lab = replace(lab, plan=lab.plan.model_copy(update={"limits": SessionLimits(**limits)}))
    vehicle, run = lab.vehicles["wren"], lab.plan.runs[0]
    most = fastest_planned(lab, run)["wren"]
    assert most.speed == pytest.approx(0.9 * limits.get("speed", vehicle.limits.floor_speed))
    assert most.rate == pytest.approx(0.9 * math.radians(limits.get("spin_deg", vehicle.limits.rate_deg)))
    move = Translate(kind="translate", x=1.0, y=0.0, duration=60.0)
    before, after = (PlannedPose(position=(x, 0.0, 0.45), orientation=(0.0, 0.0, 0.0, 1.0)) for x in (0.0, 1.0))
    given = maneuver(move, before, after, most, number=1, run="a", attempt=1, start=0, expiry=1)
    assert (given.speed_limit, given.duration) == (most.speed, 60.0)
    turn = Rotate(kind="rotate", heading_deg=170.0, gas_g=5.0)
    assert maneuver(turn, before, after, most, number=1, run="a", attempt=1, start=0, expiry=1).rate_limit == most.rate


def test_the_spin_at_which_a_try_is_aborted_counts_too():
    lab = configuration("first-float")
    run = lab.plan.runs[0].model_copy(update={"abort": (Spin(kind="spin", limit_deg=4.0),)})
    assert fastest_planned(lab, run)["wren"].rate == pytest.approx(math.radians(3.6))
