"""Who lags goes on beside the others, who keep their ways."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.flight.formation.beside import beside, merge
from testbed.flight.formation.course import Replanning, begin, watch
from testbed.flight.formation.inspection import inspect
from testbed.flight.formation.planner import Outcome
from testbed.flight.formation.trajectories import Coasting
from tests.flight.formation.examples import KEEPING, task

RULE = Replanning()
NOW = 15.0
BEHIND = np.array([0.0, -0.2, 0.0])


@pytest.fixture(scope="module")
def course():
    """Three side by side, each straight ahead."""
    return begin(task([[-1.1, -1.0], [0.0, -1.0], [1.1, -1.0]], [[-1.1, 1.0], [0.0, 1.0], [1.1, 1.0]]))


def lagging(course, vehicle=1):
    """States of all at NOW, one of them behind."""
    positions, velocities, _ = course.plan.trajectories.at(NOW)
    positions = positions.copy()
    positions[vehicle] += BEHIND
    return positions, velocities


def test_the_others_keep_their_trajectories(course):
    new = watch(course, NOW, *lagging(course), (), RULE)
    start = NOW + RULE.lead
    times = np.linspace(start, max(new.plan.trajectories.end, course.plan.trajectories.end) + 5.0, 200)
    before, after = course.plan.trajectories.during(times)[0], new.plan.trajectories.during(times)[0]
    np.testing.assert_allclose(after[[0, 2]], before[[0, 2]], atol=1e-9)
    np.testing.assert_allclose(after[1, -1], course.task.goals[1].position, atol=1e-6)
    assert np.linalg.norm(after[1, 0] - before[1, 0]) == pytest.approx(0.2, abs=1e-3)


def test_what_comes_out_keeps_all_margins_between_all(course):
    new = watch(course, NOW, *lagging(course), (), RULE)
    findings = inspect(new.task, new.plan.trajectories)
    assert (new.plan.outcome, new.plan.tight) == (Outcome.TOGETHER, False)
    assert findings.keeps(KEEPING.planned, KEEPING.clearance, 0.0)


@pytest.mark.parametrize(("lags", "in_vain"), [([False] * 3, 0), ([True] * 3, 0), ([False, True, False], 1)])
def test_it_is_not_tried_where_all_or_none_lag_or_a_plan_was_in_vain(course, lags, in_vain):
    again = replace(course.task, in_vain=in_vain)
    assert beside(again, course.plan.trajectories, np.array(lags)) is None


def test_it_gives_way_to_a_plan_for_all_where_a_goal_moves(course):
    moving = Coasting(np.array([0.0, 1.0, 0.0]), np.array([0.01, 0.0, 0.0]), 0.0)
    led = replace(course.task, goals=(course.task.goals[0], moving, course.task.goals[2]))
    assert beside(led, course.plan.trajectories, np.array([False, True, False])) is None


def test_a_merged_plan_has_the_knots_of_both_and_is_sampled_like_either(course):
    old = course.plan.trajectories
    later = replace(course.task, time=0.5 * (old.times[3] + old.times[4]))
    new = replace(begin(task([[0.0, -1.0]], [[0.0, 1.0]])).plan.trajectories)
    new = replace(new, times=new.times + later.time)
    both = merge(later, old, new, [1])
    assert np.all(np.isin(old.times[4:], both.times))
    assert np.all(np.isin(new.times, both.times))
    times, positions = both.sampled(0.1)
    assert np.min(np.diff(times)) > 0.0
    assert np.max(np.diff(times)) <= 0.1 + 1e-9
    np.testing.assert_allclose(positions[[0, 2]], old.during(times)[0][[0, 2]], atol=1e-9)
    np.testing.assert_allclose(positions[1], new.during(times)[0][0], atol=1e-9)
