"""Keep-out zones, and how far a vehicle's body is from them."""

import math

import numpy as np
import pytest

from testbed.plan.keep_out import KeepOut
from tests.plan.formation import LINE, fly, session

EVERYONE = {name: [fly("line")] for name in ("wren", "siskin", "dunlin")}


def test_zones_are_discs_and_rectangles_on_the_table_and_balls_and_boxes_in_the_cabin():
    given = [
        {"kind": "circle", "name": "a", "x": 0.3, "y": 0.4, "z": 0.2, "radius": 0.1},
        {"kind": "box", "name": "b", "low": [-1.0, -1.0], "high": [-0.5, -0.8]},
    ]
    lab = session({"line": LINE}, EVERYONE, keep_out=given)
    disc, rectangle = KeepOut.of(lab).zones.values()
    assert disc.distance(np.zeros((1, 2))) == pytest.approx(0.4)
    assert rectangle.distance(np.array([[0.0, -0.9], [-0.2, -0.4]])) == pytest.approx([0.5, 0.5])
    given[1] = {"kind": "box", "name": "b", "low": [-1.0, -1.0, 0.0], "high": [-0.5, -0.8, 0.5]}
    start, steps = {"wren": {"x": 0.0, "y": 0.0, "z": 0.0}}, {"wren": [fly("line")]}
    lab = session({"line": LINE | {"vehicles": ["wren"]}}, steps, start, given, name="cabin-float")
    ball, box = KeepOut.of(lab).zones.values()
    assert ball.distance(np.zeros((1, 3))) == pytest.approx(math.sqrt(0.09 + 0.16 + 0.04) - 0.1)
    assert box.distance(np.array([[-0.7, -0.9, 0.9]])) == pytest.approx(0.4)


def test_clearance_is_that_of_the_body_to_the_nearest_zone():
    given = [
        {"kind": "circle", "name": "a", "x": 1.0, "y": 0.0, "radius": 0.1},
        {"kind": "circle", "name": "b", "x": -1.0, "y": 0.0, "radius": 0.3},
    ]
    lab = session({"line": LINE}, EVERYONE, keep_out=given)
    radius = lab.vehicles["wren"].contact_radius("table")
    found = KeepOut.of(lab).clearance("wren", np.array([[0.0, 0.0], [0.5, 0.0], [-1.0, 0.0]]))
    assert found == pytest.approx(np.array([0.7, 0.4, -0.3]) - radius)
