"""Plans of formations by try: in words, not too many."""

import pytest

from testbed.flight.formation import Outcome
from testbed.record.load import load
from testbed.report.formations import SHOWN, plannings
from tests.report.plannings import planned, with_events


@pytest.fixture
def recording(sessions):
    return load(sessions("passed") / "recording")


def test_without_any_there_are_none(recording):
    assert plannings(recording) == ()


def test_each_try_has_its_own_and_only_the_first_are_shown(recording):
    first = [planned(recording, 1.0 + 0.1 * index) for index in range(SHOWN + 3)]
    again = [planned(recording, 9.0, attempt=2)]
    one, two = plannings(with_events(recording, [*again, *first]))
    assert (one.run, one.attempt, len(one.shown), one.more) == ("hold", 1, SHOWN, 3)
    assert [plan.stamp for plan in one.shown] == [event.stamp for event in first[:SHOWN]]
    assert (two.attempt, len(two.shown), two.more) == (2, 1, 0)
    assert two.shown[0].text == "formation wall of wren, siskin planned: 31 s, at least 0.64 m apart"


@pytest.mark.parametrize(
    ("changes", "outcome", "lacking"),
    [
        ({}, "together", False),
        ({"outcome": Outcome.IN_TURN}, "in turn", False),
        ({"tight": True}, "together", True),
        ({"outcome": Outcome.STAY}, "stay", True),
    ],
)
def test_a_plan_that_is_less_than_was_wanted_is_marked(recording, changes, outcome, lacking):
    ((plan,),) = [one.shown for one in plannings(with_events(recording, [planned(recording, 1.0, **changes)]))]
    assert (plan.outcome, plan.lacking) == (outcome, lacking)
