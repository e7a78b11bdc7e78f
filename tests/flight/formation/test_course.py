"""Watching a plan, and planning anew when someone lags."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.flight.formation.course import Replanning, begin, watch
from testbed.flight.formation.planner import Outcome
from tests.flight.formation.examples import KEEPING, LIMITS, opposite

RULE = Replanning()
NOW = 15.0


@pytest.fixture(scope="module")
def course():
    return begin(opposite(3))


def test_who_is_where_the_plan_has_them_is_left_alone(course):
    expected = course.plan.trajectories.at(NOW)
    assert watch(course, NOW, expected[0] + [0.02, 0.0, 0.0], expected[1], RULE) is None


def test_who_lags_is_planned_for_from_where_it_is_and_the_others_go_on_smoothly(course):
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    behind, slower = positions.copy(), velocities.copy()
    behind[1] -= 0.05 * velocities[1] / np.linalg.norm(velocities[1])
    slower[1] *= 0.5
    again = watch(course, NOW, behind, slower, RULE)
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
    assert watch(course, 1.0, positions + 0.1, velocities, RULE) is None


def test_an_acceleration_is_weakened_only_so_far(course):
    here = course
    for _ in range(8):
        time = here.task.time + RULE.pause
        positions, velocities, _ = here.plan.trajectories.at(time)
        positions[0, 0] += 0.04
        here = watch(here, time, positions, velocities, RULE)
    assert here.task.limits[0].acceleration == pytest.approx(RULE.least * LIMITS.acceleration)


def test_who_must_stay_tries_again(course):
    staying = replace(course, plan=replace(course.plan, outcome=Outcome.STAY))
    positions, velocities, _ = staying.plan.trajectories.at(NOW)
    assert watch(staying, NOW, positions, velocities, RULE).plan.outcome == Outcome.TOGETHER
