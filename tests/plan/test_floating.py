"""How long carriages float, as the conductor tells it."""

import pytest

from testbed.plan.floating import Floating
from tests.model.scene import FLAT

FULL, LOW = FLAT.bearing.start_pressure, FLAT.bearing.float_pressure


def test_the_time_left_falls_with_the_pressure_and_ends_at_zero():
    floating = Floating(FLAT)
    carriage = {"wren": FULL, "siskin": 0.5 * (FULL + LOW), "dunlin": 0.5 * LOW}
    assert floating.left(carriage) == pytest.approx({"wren": 1500.0, "siskin": 750.0, "dunlin": 0.0})


def test_each_landing_is_told_once():
    floating = Floating(FLAT)
    assert floating.new_landings({"wren": FULL, "siskin": FULL}) == []
    assert floating.new_landings({"wren": 0.9 * LOW, "siskin": FULL}) == ["wren"]
    assert floating.new_landings({"wren": 0.8 * LOW, "siskin": 0.9 * LOW}) == ["siskin"]
    assert floating.new_landings({"wren": FULL, "siskin": 0.9 * LOW}) == []


def test_in_the_cabin_nothing_floats_on_air():
    floating = Floating(None)
    assert floating.left({}) == {}
    assert floating.new_landings({}) == []
