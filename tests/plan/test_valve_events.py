"""What the thruster driver finds out about its valves, as an event that JSON can carry and in words."""

import numpy as np
import pytest

from testbed.flight.stuck_valves import FINDING, Condition
from testbed.plan.commands import Event
from testbed.plan.valve_events import told_valve, valve_event


def event(condition, before=Condition.SOUND):
    one = np.zeros(1, FINDING)
    one["stamp"], one["valve"], one["condition"], one["before"] = 5, 1, condition, before
    return valve_event("wren", ["left", "right"], one[0], "line", 2)


@pytest.mark.parametrize(
    ("condition", "said"),
    [
        (Condition.STUCK_OPEN, "valve right of wren is stuck open: the others push against it"),
        (Condition.STUCK_CLOSED, "valve right of wren is stuck closed: the others do without it"),
        (Condition.SOUND, "valve right of wren does again as it is told"),
    ],
    ids=["open", "closed", "sound"],
)
def test_every_finding_can_be_told(condition, said):
    told = event(condition)
    assert (told.kind, told.stamp, told.run, told.attempt) == ("valve", 5, "line", 2)
    assert told.data["over"] == (condition is Condition.SOUND)
    assert told_valve(told.data) == said


def test_it_survives_json():
    told = event(Condition.STUCK_OPEN)
    assert Event.from_json(told.to_json()) == told
