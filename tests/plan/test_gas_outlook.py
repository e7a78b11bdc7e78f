"""How far the gas goes."""

import pytest

from testbed.plan.gas_outlook import cooled_to, full_flow, outlook
from tests.model.test_tank import CARBON_DIOXIDE, NITROGEN, Tank, sagging


def test_the_figures_of_a_full_nitrogen_tank_by_hand():
    """Usable 97.7 g; Δv 97.7 g · 65 s · 9.80665 / 13 kg; flow of 12 valves with the droop of their regulator."""
    told = outlook(sagging(gas=NITROGEN), "table", NITROGEN.start_mass(), 293.15, 5e-3)
    assert told.usable_g == pytest.approx(97.73, abs=0.05)
    assert told.delta_v == pytest.approx(0.09773 * 65.0 * 9.80665 / 13.0, rel=1e-3)
    assert told.runs == 19
    one, droop = 0.15 / (65.0 * 9.80665), 0.12 * (1.0 - 0.1 / 0.6)
    stiffness = (3.0 - 4.0 * droop) / droop
    assert full_flow(sagging()) == pytest.approx(12.0 * one * (stiffness + 1.0) / (stiffness + 12.0), rel=1e-12)
    assert told.full_thrust == pytest.approx(97.73e-3 / full_flow(sagging()), rel=1e-3)


def test_a_regulator_without_droop_gives_the_flow_of_each_valve():
    perfect = sagging().thrusters.model_copy(update={"maximum_sag": 0.0})
    assert full_flow(sagging(thrusters=perfect)) == pytest.approx(12.0 * 0.15 / (65.0 * 9.80665), rel=1e-12)


def test_the_seconds_of_full_thrust_are_what_the_emulated_tank_gives():
    vehicle = sagging(gas=CARBON_DIOXIDE.model_copy(update={"heat_leak": 0.0}))
    promised = outlook(vehicle, "cabin", 0.5, 293.15, 0.0).full_thrust
    tank, seconds = Tank(vehicle.gas), 0.0
    while not tank.state["gas_solid"]:
        tank.advance(0.1 * full_flow(vehicle))
        seconds += 0.1
    assert promised == pytest.approx(seconds, rel=0.01)


def test_of_liquid_the_rest_is_usable_later_but_not_at_once():
    told = outlook(sagging(gas=CARBON_DIOXIDE), "cabin", 0.5, 293.15, 0.0)
    assert told.full_thrust < 0.8 * 1e-3 * told.usable_g / full_flow(sagging(gas=CARBON_DIOXIDE))
    assert told.runs is None


def test_an_empty_tank_promises_nothing():
    for gas in (NITROGEN, CARBON_DIOXIDE):
        told = outlook(sagging(gas=gas), "table", 1e-3, 293.15, 1e-3)
        assert (told.usable_g, told.delta_v, told.runs, told.full_thrust) == (0.0, 0.0, 0, 0.0)


def test_a_cold_tank_of_liquid_has_less_at_once_than_a_warm_one():
    warm, cold = (outlook(sagging(gas=CARBON_DIOXIDE), "cabin", 0.4, at, 0.0).full_thrust for at in (293.0, 230.0))
    assert cold < 0.3 * warm


def test_a_tank_of_liquid_cools_as_the_emulated_one_does():
    gas = CARBON_DIOXIDE.model_copy(update={"heat_leak": 0.0})
    tank = Tank(gas)
    tank.advance(1e-3, 0.1, 100)
    assert cooled_to(gas, 0.5, 293.15, 0.1) == pytest.approx(float(tank.state["gas_temperature"]), abs=0.6)
    assert cooled_to(gas, 0.5, 293.15, 0.49) == pytest.approx(216.592, abs=1e-3)
    assert cooled_to(NITROGEN, 0.109, 293.15, 0.05) == 293.15
