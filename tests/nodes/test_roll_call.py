"""The plant knows who must answer a tick, and ticks only when all have."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.description.ticks import schedule_due, wrench_due
from testbed.nodes.roll_call import FORMATION, OVERDUE_FIRST_NS, OVERDUE_NS, OVERDUE_PLANNING_NS, REPEAT_NS, RollCall
from testbed.plan.configuration import load_configuration
from tests.nodes.sessions import SMALL_PLANS

CONFIGURATION = load_configuration(SMALL_PLANS / "two.yaml")
IN_FORMATION = load_configuration(SMALL_PLANS / "formation.yaml")
NAMES = list(CONFIGURATION.vehicles)
PERIOD = round(CONFIGURATION.vehicles["wren"].thrusters.modulation_period * NS_PER_S)
START = LOCKSTEP_START_NS


def due_at(stamp):
    roll = RollCall(CONFIGURATION)
    roll.call(stamp, 0)
    return roll.missing()


def each(node):
    return {f"/{name}/{node}" for name in NAMES}


def test_at_the_first_tick_everybody_is_due():
    assert due_at(START) == each("estimator") | each("guidance") | each("thruster_driver") | {"/conductor"}


def test_between_odometry_ticks_nobody_is_due():
    assert due_at(START + TICK_NS) == set()


def test_at_a_bare_odometry_tick_only_estimators_are_due():
    assert due_at(START + 2 * TICK_NS) == each("estimator")


@pytest.mark.parametrize("tick", range(100))
def test_who_is_due_follows_the_rates(tick):
    stamp = START + tick * TICK_NS
    due = due_at(stamp)
    assert (each("estimator") <= due) == (tick % 2 == 0)
    assert (each("guidance") <= due) == wrench_due(stamp)
    assert (each("thruster_driver") <= due) == schedule_due(stamp, PERIOD)
    assert ("/conductor" in due) == (tick % 10 == 0)


def test_a_guidance_that_is_due_always_finds_an_odometry_and_a_driver_a_wrench():
    for tick in range(1000):
        due = due_at(START + tick * TICK_NS)
        assert not each("guidance") & due or each("estimator") <= due
        assert not each("thruster_driver") & due or each("guidance") <= due


@given(st.permutations(sorted(due_at(START))), st.data())
def test_the_tick_is_complete_when_the_last_has_answered_whatever_the_order(order, data):
    roll = RollCall(CONFIGURATION)
    roll.call(START, 0)
    for count, name in enumerate(order):
        assert not roll.complete()
        assert roll.missing() == set(order[count:])
        for _ in range(data.draw(st.integers(1, 2))):
            roll.answer(name, START)
    assert roll.complete()


def test_answers_to_another_tick_do_not_count():
    roll = RollCall(CONFIGURATION)
    roll.call(START + 2 * TICK_NS, 0)
    for name in roll.missing():
        roll.answer(name, START)
    assert not roll.complete()


def test_an_answer_that_came_before_the_call_counts():
    """Followers hear their inputs directly, so they may be done before the plant has looked."""
    roll = RollCall(CONFIGURATION)
    stamp = START + 2 * TICK_NS
    for name in each("estimator"):
        roll.answer(name, stamp)
    roll.call(stamp, 0)
    assert roll.complete()


def test_a_stranger_s_answer_changes_nothing():
    roll = RollCall(CONFIGURATION)
    roll.call(START, 0)
    before = roll.missing()
    roll.answer("/stranger", START)
    assert roll.missing() == before


def test_an_unanswered_tick_is_repeated_every_50_ms():
    roll = RollCall(CONFIGURATION)
    roll.call(START, 1000)
    asked = [now for now in range(1000, 1000 + 5 * REPEAT_NS, REPEAT_NS // 5) if roll.repeat_due(now)]
    assert np.diff([1000, *asked]).tolist() == [REPEAT_NS] * 4


def test_a_complete_tick_is_never_repeated_nor_overdue():
    roll = RollCall(CONFIGURATION)
    roll.call(START + TICK_NS, 0)
    assert not roll.repeat_due(10 * REPEAT_NS)
    assert not roll.overdue(10 * OVERDUE_NS, first=False)


def test_after_two_seconds_it_is_given_up_but_the_first_one_waits_for_the_operator():
    roll = RollCall(CONFIGURATION)
    roll.call(START, 0)
    assert not roll.overdue(OVERDUE_NS, first=False)
    assert roll.overdue(OVERDUE_NS + 1, first=False)
    assert not roll.overdue(OVERDUE_NS + 1, first=True)
    assert roll.overdue(OVERDUE_FIRST_NS + 1, first=True)


def test_the_formations_planner_is_due_at_planning_ticks_where_the_plan_has_formations():
    for tick in range(200):
        stamp = START + tick * TICK_NS
        roll = RollCall(IN_FORMATION)
        roll.call(stamp, 0)
        assert (FORMATION in roll.missing()) == roll.planning == (tick % 50 == 0)
        assert FORMATION not in due_at(stamp)


def test_a_plan_may_take_longer_than_other_answers():
    roll = RollCall(IN_FORMATION)
    roll.call(START + 50 * TICK_NS, 0)
    for name in roll.missing() - {FORMATION}:
        roll.answer(name, START + 50 * TICK_NS)
    assert not roll.overdue(OVERDUE_NS + 1, first=False)
    assert roll.overdue(OVERDUE_PLANNING_NS + 1, first=False)
    roll.answer(FORMATION, START + 50 * TICK_NS)
    assert roll.complete()
    assert not roll.planning
