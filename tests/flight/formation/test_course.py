"""Watching a plan, and planning anew when someone lags."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.flight.formation import planner
from testbed.flight.formation.course import Replanning, begin, redirect, watch
from testbed.flight.formation.frame import Frame
from testbed.flight.formation.planner import Outcome
from testbed.flight.formation.slots import carried, least_spacing
from testbed.flight.formation.task import Keeping
from testbed.flight.formation.trajectories import Coasting
from tests.drawn.reconfigurations import drawn
from tests.flight.formation.examples import KEEPING, LIMITS, opposite, task

RULE = Replanning()
NOW = 15.0


@pytest.fixture(scope="module")
def course():
    return begin(opposite(3))


def test_who_is_where_the_plan_has_them_is_left_alone(course):
    expected = course.plan.trajectories.at(NOW)
    assert watch(course, NOW, expected[0] + [0.02, 0.0, 0.0], expected[1], (), RULE) is None


def test_who_lags_is_planned_for_from_where_it_is_and_the_others_go_on_smoothly(course):
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    behind, slower = positions.copy(), velocities.copy()
    behind[1] -= 0.05 * velocities[1] / np.linalg.norm(velocities[1])
    slower[1] *= 0.5
    again = watch(course, NOW, behind, slower, (), RULE)
    start = NOW + RULE.lead
    was, now = course.plan.trajectories.at(start), again.plan.trajectories.at(start)
    assert again.plan.outcome == Outcome.TOGETHER
    for vehicle in (0, 2):
        assert now[0][vehicle] == pytest.approx(was[0][vehicle], abs=1e-12)
        assert now[1][vehicle] == pytest.approx(was[1][vehicle], abs=1e-12)
    assert now[0][1] == pytest.approx(behind[1] + RULE.lead * slower[1])
    assert again.task.limits[1].acceleration == pytest.approx(RULE.weaker * LIMITS.acceleration)
    assert again.task.limits[0] == LIMITS
    assert again.plan.findings.separation >= KEEPING.required
    assert again.plan.trajectories.at(200.0)[0] == pytest.approx(course.plan.trajectories.at(200.0)[0])


def test_no_plan_is_made_right_after_another(course):
    positions, velocities, _ = course.plan.trajectories.at(1.0)
    assert watch(course, 1.0, positions + 0.1, velocities, (), RULE) is None


def test_an_acceleration_is_weakened_only_so_far(course):
    here = course
    for _ in range(8):
        time = here.task.time + RULE.pause
        positions, velocities, _ = here.plan.trajectories.at(time)
        positions[0, 0] += 0.04
        here = watch(here, time, positions, velocities, (), RULE)
    assert here.task.limits[0].acceleration == pytest.approx(RULE.least * LIMITS.acceleration)


def test_who_must_stay_tries_again(course):
    staying = replace(course, plan=replace(course.plan, outcome=Outcome.STAY))
    positions, velocities, _ = staying.plan.trajectories.at(NOW)
    assert watch(staying, NOW, positions, velocities, (), RULE).plan.outcome == Outcome.TOGETHER


def test_who_will_lag_is_seen_before_it_does(course):
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    slower = velocities.copy()
    slower[2] -= 0.02 * velocities[2] / np.linalg.norm(velocities[2])
    again = watch(course, NOW, positions, slower, (), RULE)
    assert again.task.limits[2].acceleration < LIMITS.acceleration


def test_others_are_where_they_are_known_to_be_when_planning_anew(course):
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    behind = positions.copy()
    behind[0] -= 0.04 * velocities[0] / np.linalg.norm(velocities[0])
    stray = Coasting(np.array([1.2, -1.0, 0.0]), np.array([-0.01, 0.0, 0.0]), NOW)
    again = watch(course, NOW, behind, velocities, (stray,), RULE)
    assert again.task.others == (stray,)
    assert again.plan.findings.to_others >= KEEPING.planned - 1e-3


def test_who_is_not_planned_for_and_comes_in_the_way_makes_a_new_plan(course):
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    start = course.plan.trajectories.at(NOW + 10.0)[0][0] + [0.0, 0.3, 0.0]
    passing = Coasting(start, np.zeros(3), NOW)
    assert watch(course, NOW, positions, velocities, (), RULE) is None
    far = Coasting(np.array([0.0, 30.0, 0.0]), np.zeros(3), NOW)
    assert watch(course, NOW, positions, velocities, (far,), RULE) is None
    again = watch(course, NOW, positions, velocities, (passing,), RULE)
    assert again is not None
    assert again.task.others == (passing,)


def test_slots_of_a_leader_that_turns_are_followed():
    """Straight at first; from 40 s on it turns. Each second its frame is told anew."""
    ahead = Frame((-1.0, -0.4, 0.0), velocity=(0.015, 0.0, 0.0))
    turning = Frame((-0.4, -0.4, 0.0), velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.02), time=40.0)
    places = [[0.0, 0.0, 0.0], [-0.3, 0.7, 0.0]]
    course = begin(replace(task([(-1.3, -0.4), (-1.3, 0.5)], [(0.0, 0.0)] * 2), goals=carried(ahead, places)))
    plans, least = 1, np.inf
    for second in range(120):
        frame = ahead if second < 40 else turning
        again = redirect(course, float(second), carried(frame, places), RULE)
        plans += again is not None
        course = again or course
        positions = course.plan.trajectories.at(second + RULE.lead)[0]
        least = min(least, least_spacing(positions))
    assert plans == 2
    assert least >= KEEPING.planned - 1e-3
    end = course.plan.trajectories.end
    for vehicle, slot in enumerate(carried(turning, places)):
        assert course.plan.trajectories.at(end + 5.0)[0][vehicle] == pytest.approx(slot.at(np.array([end + 5.0]))[0][0])


def test_points_for_a_message_go_on_with_the_slots(course):
    times, positions, velocities, accelerations = course.plan.trajectories.points(90.0, 2.0)
    assert times[-1] == 90.0
    assert np.max(np.diff(times)) <= 2.5 + 1e-9
    assert positions.shape == velocities.shape == accelerations.shape == (3, len(times), 3)
    assert positions[:, : len(course.plan.trajectories.times)] == pytest.approx(course.plan.trajectories.positions)
    assert positions[:, -1] == pytest.approx(-positions[:, 0])


def test_a_stretch_of_whole_steps_gets_no_point_more_by_rounding(course):
    """A record has room for so many knots and no more."""
    for late in np.random.default_rng(4).uniform(0.0, 300.0, 300):
        trajectories = course.plan.trajectories
        trajectories = replace(trajectories, times=trajectories.times + late)
        times = trajectories.points(trajectories.end + 40 * 2.0, 2.0)[0]
        assert len(times) == len(trajectories.times) + 40


def test_states_at_many_times_are_those_at_each_of_them(course):
    trajectories = course.plan.trajectories
    times = np.array([-1.0, 0.0, 0.5 * trajectories.end, trajectories.end, trajectories.end + 3.0])
    each = [trajectories.at(float(time)) for time in times]
    for what, together in enumerate(trajectories.during(times)):
        assert np.array_equal(together, np.stack([one[what] for one in each], axis=1))


def test_what_was_planned_in_vain_is_tried_with_staggered_ways(monkeypatch):
    monkeypatch.setattr(planner, "STRETCHES", planner.STRETCHES[2:3])
    monkeypatch.setattr(planner, "SIDES", 1)
    keeping = Keeping(required=0.52, margin=0.06, body=0.2, spare=0.2, undisturbed=0.8748540461070551)  # the demo's
    crowded = replace(drawn(15, np.random.default_rng([630, 15]), keeping).task(), keeping=keeping)
    assert planner.together(crowded).trajectories is None
    tries = [planner.together(replace(crowded, in_vain=number)).trajectories for number in (1, 2, 3)]
    found = [one for one in tries if one is not None]
    assert found
    for one in found:
        ways = np.array([one.at(t)[0] for t in np.arange(0.0, one.end, 0.1)])
        assert min(least_spacing(places) for places in ways) >= 0.873


def test_who_stays_for_want_of_a_way_is_planned_for_as_in_vain():
    blocked = begin(task([[-0.8, 0.0]], [[0.0, 0.0]], others=(Coasting(np.zeros(3), np.zeros(3), 0.0),)))
    assert blocked.plan.outcome == Outcome.STAY
    positions, still = np.array([[-0.8, 0.0, 0.0]]), np.zeros((1, 3))
    again = watch(blocked, 5.0, positions, still, blocked.task.others, RULE)
    assert (blocked.task.in_vain, again.task.in_vain) == (0, 1)
    free = watch(again, 10.0, positions, still, (), RULE)
    assert (free.task.in_vain, free.plan.outcome) == (2, Outcome.TOGETHER)
    late = watch(free, 15.0, positions, still, (), RULE)
    assert late.task.in_vain == 0
