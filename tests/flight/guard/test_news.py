"""What the guard tells: an objection once when it begins, again when it grows, and once when it is over."""

import math

import numpy as np

from testbed.description.messages import LOCKSTEP_START_NS
from testbed.flight.guard import Action, Objection
from testbed.flight.guard.news import OVER_AFTER_NS
from tests.flight.guard.test_guard import guard, odometry, wrench

PERIOD = 100_000_000


def told(one, *asked):
    """News of each period as (objection, action, over, lasted), for wrenches along x."""
    found = []
    for k, force in enumerate(asked):
        stamp = LOCKSTEP_START_NS + k * PERIOD
        one.judge(odometry(velocity=(0.06, 0.0, 0.0), stamp=stamp), wrench(force, stamp=stamp))
        state = one.state[0]
        news = state["news"][: state["news_count"]]
        found.append(
            [(Objection(v["objection"]), Action(v["action"]), bool(v["over"]), int(v["lasted"])) for v in news]
        )
    return found


def test_an_objection_is_told_once_and_its_end_after_a_while_of_quiet():
    quiet = OVER_AFTER_NS // PERIOD
    news = told(guard(), 0.1, 0.1, 0.1, *[-0.1] * (quiet + 2))
    assert news[0] == [(Objection.SPEED, Action.TRIMMED, False, 0)]
    assert news[2 + quiet] == [(Objection.SPEED, Action.TRIMMED, True, 2 * PERIOD)]
    assert sum(len(one) for one in news) == 2


def test_one_that_comes_and_goes_within_the_while_is_one():
    assert sum(len(one) for one in told(guard(), *[0.1, -0.1] * 10)) == 1


def test_two_objections_at_once_are_told_apart():
    news = told(guard(), math.nan, 0.1)
    assert news[0] == [(Objection.NOT_FINITE, Action.CLOSED, False, 0)]
    assert news[1] == [(Objection.SPEED, Action.TRIMMED, False, 0)]


def test_one_that_grows_stronger_is_told_again():
    one = guard()
    edge = odometry((1.1, 0.0, 0.0))
    one.judge(edge, wrench(0.1))
    assert one.state[0]["news"][0]["action"] == Action.TRIMMED
    later = odometry((1.1, 0.0, 0.0), (0.05, 0.0, 0.0), stamp=LOCKSTEP_START_NS + PERIOD)
    one.judge(later, wrench(0.1, stamp=LOCKSTEP_START_NS + PERIOD))
    state = one.state[0]
    assert [v["action"] for v in state["news"][: state["news_count"]]] == [Action.BRAKED]


def test_news_carry_what_was_asked():
    one = guard()
    one.judge(odometry(), wrench(math.nan, 1.0))
    asked = one.state[0]["news"][0]["asked"]
    assert np.isnan(asked[0])
    assert asked[1] == 1.0
