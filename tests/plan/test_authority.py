"""Push and torque of the demo vehicles on the table, against sums done by hand."""

import math

import pytest

from testbed.plan.authority import force_along, thrust_for_force, thrust_for_torque, torque
from tests.plan.world import configuration

WREN = configuration("first-float").vehicles["wren"]
ALONG = 0.15 * math.cos(math.radians(30.0))


@pytest.mark.parametrize("angle", [0.0, math.pi])
def test_along_x_two_canted_nozzles_push(angle):
    assert force_along(WREN, angle) == pytest.approx(2 * ALONG)
    assert thrust_for_force(WREN, angle) == pytest.approx(0.30 / (2 * ALONG))


@pytest.mark.parametrize("angle", [math.pi / 2, -math.pi / 2])
def test_along_y_two_side_nozzles_push_and_two_canted_ones_help(angle):
    assert force_along(WREN, angle) == pytest.approx(2 * 0.15 + 2 * 0.15 * 0.5)
    assert thrust_for_force(WREN, angle) == pytest.approx(1.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_about_z(sign):
    """By hand: each side nozzle gives 0.15·0.13 N·m, each canted one 0.15·0.13·(cos 30° - sin 30°); two of each."""
    both = 2 * 0.15 * 0.13 + 2 * 0.15 * 0.13 * (math.cos(math.pi / 6) - 0.5)
    assert torque(WREN, sign) == pytest.approx(both, rel=1e-6)
    assert thrust_for_torque(WREN, sign) == pytest.approx(1.0 / 0.13)


def without(*names: str):
    valves = tuple(valve.model_copy(update={"in_service": valve.name not in names}) for valve in WREN.thrusters.valves)
    return WREN.model_copy(update={"thrusters": WREN.thrusters.model_copy(update={"valves": valves})})


@pytest.mark.parametrize("dead", [valve.name for valve in WREN.thrusters.valves])
def test_any_one_valve_may_be_dead(dead):
    vehicle = without(dead)
    for angle in (0.0, math.pi / 2, math.pi, -math.pi / 2):
        assert force_along(vehicle, angle) > 0.1
    assert min(torque(vehicle, 1.0), torque(vehicle, -1.0)) > 0.01


def test_without_both_nozzles_at_the_back_nothing_pushes_forward():
    vehicle = without("back_left_along", "back_right_along")
    assert force_along(vehicle, 0.0) == 0.0
    assert thrust_for_force(vehicle, 0.0) == math.inf
    assert force_along(vehicle, math.pi) > 0.0
