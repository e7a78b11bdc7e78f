"""What the safety filter worries about, as an event that JSON can carry and in words."""

import math

import numpy as np
import pytest

from testbed.flight.separation import NEWS, Action, Worry
from testbed.plan.commands import Event
from testbed.plan.separation_events import separation_event, told_separation


def concern(worry=Worry.NEAR, action=Action.BRAKED, about=1, over=False, asked=(0.1, 0.0, 0.0, 0.0, 0.0, 0.0)):
    one = np.zeros(1, NEWS)
    one["stamp"], one["objection"], one["action"], one["over"], one["about"] = 5, worry, action, over, about
    one["lasted"], one["asked"] = 1_500_000_000 if over else 0, asked
    return one[0]


@pytest.mark.parametrize("worry", [one for one in Worry if one])
@pytest.mark.parametrize("action", [one for one in Action if one])
@pytest.mark.parametrize("over", [False, True])
def test_every_worry_can_be_told(worry, action, over):
    event = separation_event("wren", ["siskin", "dunlin"], concern(worry, action, 1, over), "line", 2)
    assert (event.kind, event.stamp, event.run, event.attempt) == ("separation", 5, "line", 2)
    assert (event.data["worry"], event.data["about"]) == (worry.name.lower(), "dunlin")
    said = told_separation(event.data)
    assert said.startswith("the safety filter of wren ")
    assert "dunlin" in said
    assert said.endswith("for 1.5 s") == over


def test_a_worry_about_itself_names_itself():
    event = separation_event("wren", ["siskin"], concern(Worry.UNSURE, about=-1), "", 0)
    assert event.data["about"] == "wren"
    assert told_separation(event.data).endswith("it is not sure enough where it itself is")


def test_what_was_asked_survives_json_even_if_it_is_no_number():
    event = separation_event("wren", ["siskin", "dunlin"], concern(asked=(math.nan, math.inf, 1.0, 0, 0, 0)), "", 0)
    assert Event.from_json(event.to_json()) == event
