"""Push and torque of the demo vehicles, against sums done by hand."""

import math

import pytest

from testbed.plan.authority import force_along, thrust_for_force, thrust_for_torque, torque_about
from tests.plan.world import configuration

WREN = configuration("first-float").vehicles["wren"]
ALONG = 0.15 * math.cos(math.radians(30.0))


def level(angle):
    """Direction in the plane."""
    return math.cos(angle), math.sin(angle), 0.0


def up(sign):
    return 0.0, 0.0, sign


@pytest.mark.parametrize("angle", [0.0, math.pi])
def test_along_x_two_canted_nozzles_push(angle):
    assert force_along(WREN, "table", level(angle)) == pytest.approx(2 * ALONG)
    assert thrust_for_force(WREN, "table", level(angle)) == pytest.approx(0.30 / (2 * ALONG))


@pytest.mark.parametrize("angle", [math.pi / 2, -math.pi / 2])
def test_along_y_two_side_nozzles_push_and_two_canted_ones_help(angle):
    assert force_along(WREN, "table", level(angle)) == pytest.approx(2 * 0.15 + 2 * 0.15 * 0.5)
    assert thrust_for_force(WREN, "table", level(angle)) == pytest.approx(1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_about_z(sign):
    """By hand: each side nozzle gives 0.15·0.13 N·m, each canted one 0.15·0.13·(cos 30° - sin 30°); two of each."""
    both = 2 * 0.15 * 0.13 + 2 * 0.15 * 0.13 * (math.cos(math.pi / 6) - 0.5)
    assert torque_about(WREN, "table", up(sign)) == pytest.approx(both, rel=1e-6)
    assert thrust_for_torque(WREN, "table", up(sign)) == pytest.approx(1.0 / 0.13)


def without(*names: str):
    valves = tuple(valve.model_copy(update={"in_service": valve.name not in names}) for valve in WREN.thrusters.valves)
    return WREN.model_copy(update={"thrusters": WREN.thrusters.model_copy(update={"valves": valves})})


@pytest.mark.parametrize("dead", [valve.name for valve in WREN.thrusters.valves])
def test_any_one_valve_may_be_dead(dead):
    vehicle = without(dead)
    for angle in (0.0, math.pi / 2, math.pi, -math.pi / 2):
        assert force_along(vehicle, "table", level(angle)) > 0.1
    assert min(torque_about(vehicle, "table", up(1.0)), torque_about(vehicle, "table", up(-1.0))) > 0.01


def test_without_both_nozzles_at_the_back_nothing_pushes_forward():
    vehicle = without("back_left_along", "back_right_along")
    assert force_along(vehicle, "table", level(0.0)) == 0.0
    assert thrust_for_force(vehicle, "table", level(0.0)) == math.inf
    assert force_along(vehicle, "table", level(math.pi)) > 0.0


def test_in_the_cabin_two_vertical_nozzles_push_up_and_the_body_is_lighter():
    for sign in (1.0, -1.0):
        assert force_along(WREN, "cabin", up(sign)) == pytest.approx(2 * 0.15)
        assert thrust_for_force(WREN, "cabin", up(sign)) == pytest.approx(1.0)
    assert force_along(WREN, "cabin", (1.0, 0.0, 0.0)) == pytest.approx(2 * ALONG)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("axis", [0, 1])
def test_in_the_cabin_one_nozzle_up_and_one_down_tip_it(axis, sign):
    """By hand: 0.15 N at 0.13 m each, one on either side."""
    about = [0.0, 0.0, 0.0]
    about[axis] = sign
    assert torque_about(WREN, "cabin", about) == pytest.approx(2 * 0.15 * 0.13)


def test_on_the_table_nothing_that_the_floor_gives_is_asked_of_the_valves():
    without_vertical = without(*(valve.name for valve in WREN.thrusters.valves if "vertical" in valve.name))
    assert force_along(without_vertical, "table", level(0.3)) == force_along(WREN, "table", level(0.3))
    assert torque_about(without_vertical, "cabin", (1.0, 0.0, 0.0)) == 0.0
