"""Places in a frame, who takes which, and how long a formation has been flown."""

import math
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.flight.formation import Frame
from testbed.plan.formation_schema import Formation
from testbed.plan.formation_slots import Arrangement, elapsed, places, where
from tests.plan.formation import CONVOY, LINE, RING, fly, session

NAMES = ("wren", "siskin", "dunlin")
COORDINATE = st.floats(-1.5, 1.5)


def formation(**changes):
    return Formation.model_validate(LINE | changes)


def test_a_line_points_where_it_is_told_to_and_has_a_place_for_each_vehicle():
    found = places(formation(slots={"kind": "line", "spacing": 0.7, "direction_deg": 90.0}, heading_deg=180.0))
    assert [one.position for one in found] == [pytest.approx((0.0, y, 0.0)) for y in (-0.7, 0.0, 0.7)]
    assert all(one.orientation == pytest.approx((0.0, 0.0, 1.0, 0.0)) for one in found)


def test_headings_of_a_list_come_before_that_of_the_formation():
    listed = {"kind": "list", "places": [{"x": 1.0, "y": 0.0}, {"x": 2.0, "y": 0.0, "heading_deg": 0.0}]}
    first, second = places(formation(slots=listed, vehicles=["wren"], heading_deg=90.0))
    assert first.orientation == pytest.approx((0.0, 0.0, math.sqrt(0.5), math.sqrt(0.5)))
    assert second.orientation == (0.0, 0.0, 0.0, 1.0)


def arrangement(given):
    return Arrangement("only", Formation.model_validate(given), dict.fromkeys(NAMES, 0.45), 2)


def test_on_the_table_a_place_is_at_the_vehicles_height_above_the_frame():
    heights = {"wren": 0.5, "siskin": 0.45, "dunlin": 0.4}
    fixed = Arrangement("line", Formation.model_validate(LINE), heights, 2)
    led = Arrangement("convoy", Formation.model_validate(CONVOY), heights, 2)
    assert fixed.frame.position[2] == 0.0
    assert fixed.place(0, "siskin").position[2] == 0.45
    assert led.frame is None
    assert led.place(0, "siskin").position[2] == pytest.approx(-0.05)


@given(st.lists(st.tuples(COORDINATE, COORDINATE, COORDINATE), min_size=3, max_size=3), st.floats(-3.0, 3.0))
def test_places_are_chosen_by_the_least_sum_of_squared_ways(starts, heading):
    """Against all permutations; heights do not count on the table."""
    one, frame = arrangement(LINE), Frame.at_point((0.1, 0.2, 0.0), heading)
    chosen = one.choose(frame, 0.0, dict(zip(NAMES, starts, strict=True)), {})
    ends = [where(place.slot(frame), 0.0)[0] for place in places(one.formation)]

    def cost(order):
        return sum(math.dist(start[:2], ends[k][:2]) ** 2 for start, k in zip(starts, order, strict=True))

    assert sorted(chosen.values()) == [0, 1, 2]
    assert cost([chosen[name] for name in NAMES]) <= min(map(cost, permutations(range(3)))) + 1e-9


def test_who_has_a_place_keeps_it_and_whose_place_it_is_has_it_however_far():
    listed = [{"x": -0.8, "y": 0.0}, {"x": 0.0, "y": 0.0}, {"x": 0.8, "y": 0.0, "vehicle": "dunlin"}]
    one = arrangement(LINE | {"slots": {"kind": "list", "places": listed}})
    frame = Frame.at_point((0.0, 0.0, 0.0))
    first = one.choose(frame, 0.0, {"wren": (0.9, 0.1, 0.0)}, {})
    assert first == {"wren": 1}, "the place beside it is dunlin's"
    rest = one.choose(frame, 0.0, {"siskin": (0.1, 0.0, 0.0), "dunlin": (-0.9, 0.0, 0.0)}, first)
    assert rest == {"wren": 1, "siskin": 0, "dunlin": 2}


def test_a_frame_is_flown_for_as_long_as_anybody_flies_it():
    lab = session(
        {"ring": RING},
        {
            "wren": [fly("ring", 30.0), {"kind": "hold", "duration": 5.0}, fly("ring", 20.0)],
            "siskin": [fly("ring", 25.0), {"kind": "hold", "duration": 5.0}],
            "dunlin": [{"kind": "hold", "duration": 5.0}],
        },
    )
    assert [elapsed(lab.plan.runs[0], "ring", index) for index in range(4)] == [0.0, 30.0, 30.0, 50.0]


def test_a_moving_frame_moves_and_turns_as_the_plan_says():
    frame = arrangement(RING).frame
    assert (frame.velocity, frame.time) == ((0.01, 0.004, 0.0), 0.0)
    assert np.degrees(frame.rate) == pytest.approx((0.0, 0.0, 1.0))
    position, orientation = where(arrangement(RING).place(0, "wren").slot(frame), 60.0)
    radius = 0.8 / math.sqrt(3.0)
    assert position == pytest.approx((-0.2 + 0.6, 0.24 + radius, 0.45)), "turned by 30 and 60 degrees: straight along y"
    assert 2.0 * math.degrees(math.atan2(orientation[2], orientation[3])) == pytest.approx(180.0)
