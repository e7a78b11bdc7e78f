"""What the guard decides, as an event that JSON can carry and in words."""

import json
import math

import numpy as np
import pytest

from testbed.flight.guard import VERDICT, Action, Objection
from testbed.plan.commands import Event
from testbed.plan.flight_limits import flight_limits, room_area
from testbed.plan.guard_events import guard_event, told_guard
from tests.plan.world import configuration


def verdict(objection=Objection.SPEED, action=Action.TRIMMED, over=False, asked=(0.1, 0.0, 0.0, 0.0, 0.0, 0.0)):
    one = np.zeros(1, VERDICT)
    one["stamp"], one["objection"], one["action"], one["over"] = 5, objection, action, over
    one["lasted"], one["asked"] = 1_500_000_000 if over else 0, asked
    return one[0]


@pytest.mark.parametrize("objection", [one for one in Objection if one])
@pytest.mark.parametrize("action", [one for one in Action if one])
@pytest.mark.parametrize("over", [False, True])
def test_every_verdict_can_be_told(objection, action, over):
    event = guard_event("wren", verdict(objection, action, over), "line", 2)
    assert (event.kind, event.stamp, event.run, event.attempt) == ("guard", 5, "line", 2)
    assert event.data["limit"] == objection.name.lower()
    said = told_guard(event.data)
    assert said.startswith("the guard of wren ")
    assert said.endswith("for 1.5 s") == over


def test_what_was_asked_survives_json_even_if_it_is_no_number():
    event = guard_event("wren", verdict(asked=(math.nan, math.inf, -math.inf, 1e-310, 1e300, 0.5)), "", 0)
    text = event.to_json()
    assert "NaN" not in text
    assert "Infinity" not in text
    assert Event.from_json(text) == event
    assert json.loads(text)["data"]["asked"] == ["nan", "inf", "-inf", 1e-310, 1e300, 0.5]


def test_limits_are_the_vehicles_and_the_rooms_until_the_plan_says_less():
    session = configuration("demo")
    limits = flight_limits(session, "wren")
    assert limits.speed == session.vehicles["wren"].limits.floor_speed
    assert math.degrees(limits.spin) == pytest.approx(session.vehicles["wren"].limits.rate_deg)
    assert limits.contact_energy == pytest.approx(35.0**2 / (2.0 * 8000.0))
    assert limits.work_area == ((-1.6, -1.3, -math.inf), (1.6, 1.3, math.inf))


def test_in_the_cabin_the_vehicle_fits_between_the_walls():
    session = configuration("cabin-float")
    radius = session.vehicles["wren"].contact_radius("cabin")
    assert room_area(session, "wren")[1] == pytest.approx([2.0 - radius, 1.5 - radius, 1.2 - radius])
    assert flight_limits(session, "wren").work_area[1] == pytest.approx(room_area(session, "wren")[1])
