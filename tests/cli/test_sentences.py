"""What the terminal says of each event."""

import pytest

from testbed.cli.sentences import sentence
from testbed.plan.commands import Event
from tests.plan.world import World, configuration

CRITERION = {
    "name": "home",
    "kind": "position_error",
    "vehicle": "wren",
    "value": 0.0137,
    "limit": 0.03,
    "unit": "m",
    "passed": True,
    "stamp": 1,
    "note": "",
}


@pytest.mark.parametrize(
    ("kind", "data", "said"),
    [
        (
            "separation",
            {"vehicle": "wren", "worry": "near", "about": "siskin", "done": "braked", "over": False, "lasted": 0.0},
            "return, try 1: the safety filter of wren brakes or holds the place: the way asked for leads too near",
        ),
        (
            "valve",
            {"vehicle": "wren", "valve": "left", "condition": "stuck_open", "over": False},
            "return, try 1: valve left of wren is stuck open: the others push against it",
        ),
        ("criterion", CRITERION, "return, try 1:   met    home (wren): 13.7 mm, ≤ 30 mm asked for"),
        ("gas_warning", {"text": "the tank of wren is down to 269.9 K"}, "return, try 1: WARNING: the tank of wren is"),
        (
            "criterion",
            CRITERION | {"value": 0.05, "passed": False},
            "return, try 1:   MISSED home (wren): 50.0 mm, ≤ 30 mm",
        ),
        ("verdict", {"verdict": "failed", "reason": "not met: home wren"}, "return, try 1: FAILED: not met: home wren"),
        ("abort", {"reason": "too close"}, "return, try 1: ABORT, braking under control: too close"),
        ("fault_began", {"fault": "gyro_dead wren"}, "return, try 1: BROKEN from now on: gyro_dead wren"),
        (
            "fault_began",
            {"fault": "gyro_dead wren", "live": True},
            "return, try 1: BROKEN from now on (live): gyro_dead",
        ),
        ("fault_over", {"fault": "gyro_dead wren"}, "return, try 1: whole again: gyro_dead wren"),
        ("something_new", {"name": "x", "many": [1]}, "return, try 1: something new: name x"),
    ],
    ids=["separation", "valve", "met", "gas", "missed", "verdict", "abort", "broken", "live", "whole", "unknown"],
)
def test_an_event_is_said_in_one_line(kind, data, said):
    line = sentence(Event(1, kind, "return", 1, data))
    assert line.startswith(said)
    assert "\n" not in line


def test_every_event_of_a_session_can_be_said():
    from testbed.plan.observation import Request
    from testbed.plan.sequence import Sequence

    world = World(Sequence(configuration("demo")))
    world.step(Request("start"))
    world.until("running")
    world.step(Request("hold"))
    world.step(Request("release"))
    world.to_the_end()
    kinds = {event.kind for event in world.events}
    assert {"hold", "criterion", "verdict", "finished"} <= kinds
    assert all(sentence(event) for event in world.events)
