"""What a formation's planner has done, as events and in words."""

import json
import math

import pytest

from testbed.description.maneuver import Maneuver
from testbed.flight.formation import Order, Outcome, Planned, Why
from testbed.plan.commands import Event
from testbed.plan.formation_events import formation_event, order_of, told_formation


def planned(**changes):
    given = {
        "run": "line", "attempt": 2, "formation": "wall", "why": Why.MEMBERS, "vehicles": ("wren", "siskin"),
        "lagging": (), "outcome": Outcome.TOGETHER, "begin": 5, "duration": 31.4, "separation": 0.641, "tight": False,
    }  # fmt: skip
    return Planned(**(given | changes))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "formation wall of wren, siskin planned: 31 s, at least 0.64 m apart"),
        (
            {"why": Why.LAG, "lagging": ("wren",), "tight": True},
            "formation wall of wren, siskin planned anew because wren lagged: 31 s, at least 0.64 m apart,"
            " less than planned for",
        ),
        (
            {"why": Why.FRAME, "separation": math.inf},
            "formation wall of wren, siskin planned anew, as the leader moves otherwise: 31 s",
        ),
        (
            {"outcome": Outcome.STAY},
            "formation wall of wren, siskin planned: no way was found, all brake and stay",
        ),
    ],
    ids=["first", "lag", "leader", "stay"],
)
def test_a_plan_is_told_in_a_sentence_also_after_its_way_through_the_topic(changes, words):
    event = formation_event(4, planned(**changes))
    assert (event.stamp, event.kind, event.run, event.attempt) == (4, "formation", "line", 2)
    assert told_formation(event.data) == words
    assert Event.from_json(event.to_json()).data == json.loads(json.dumps(event.data))


def test_only_a_maneuver_of_a_formation_is_an_order():
    common = {"number": 3, "run": "line", "attempt": 2, "start": 7, "expiry": 99}
    assert order_of(Maneuver(kind="formation", formation="wall", **common)) == Order(3, 7, "line", 2, "wall")
    assert order_of(Maneuver(kind="hold", **common)) is None
    assert order_of(None) is None
