"""The tank: mass and energy balance, what temperature and pressure follow, relief, and where it ends."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.gas_supply import GasSupply, Regulator, Relief
from testbed.model.draws import Draws
from testbed.model.parameters import build_vehicles
from testbed.model.plenum import drawn
from testbed.model.records import STATE
from testbed.model.tank import advance_tank, fill_tanks
from tests.model.scene import CABIN, SILENCE, START, TICK, a_plant, a_schedule, a_vehicle, run

NITROGEN = GasSupply(volume=0.5e-3, pressure=20e6)
CARBON_DIOXIDE = GasSupply(kind="carbon_dioxide", volume=0.8e-3, mass=0.5, specific_impulse=55.0)
AIR = GasSupply(kind="air", volume=0.5e-3, pressure=20e6)
SUPPLIES = pytest.mark.parametrize("supply", [NITROGEN, AIR, CARBON_DIOXIDE], ids=lambda supply: supply.kind)


def sagging(**changes):
    """A vehicle whose valves have no jitter and whose plenum sags."""
    return a_vehicle(thrusters={"delay_jitter": 0.0}).model_copy(update=changes)


class Tank:
    """One tank by itself."""

    def __init__(self, supply):
        vehicle = sagging(gas=supply)
        self.supply = supply
        self.vehicles = build_vehicles([vehicle], CABIN, SILENCE, Draws(1, 0, 1))
        self.states = np.zeros(1, STATE)
        fill_tanks([supply], self.vehicles, self.states)
        self.vehicle, self.state = self.vehicles[0], self.states[0]

    def advance(self, drawn, seconds=0.1, times=1):
        for _ in range(times):
            advance_tank(self.vehicle, self.state, drawn, seconds)


def fire(plant, seconds, valves=(0, 3)):
    """Keep valves open."""
    for k in range(round(seconds * 100)):
        now = START + k * TICK
        if k % 15 == 0:
            plant.accept_schedule(0, a_schedule(now, (0.0, valves), (0.1999, ())), now)
        run(plant, 1, now)


def accounted(plant):
    """All gas there ever was: in the tank less what it still owes, in the plenum, and what has left."""
    vehicle, state = plant.vehicles[0], plant.states[0]
    inside = state["gas_mass"] - drawn(vehicle, state) + vehicle["plenum_capacity"] * state["plenum_pressure"]
    return inside + state["gas_released"] + state["gas_vented"]


@pytest.mark.parametrize(
    ("supply", "mass"),
    # densities of the equations of state named in gas_tables/generate.py, by CoolProp 8.0: 218.544 and 231.648 kg/m³
    [(NITROGEN, 0.5e-3 * 218.544), (AIR, 0.5e-3 * 231.648), (CARBON_DIOXIDE, 0.5)],
    ids=["nitrogen", "air", "carbon_dioxide"],
)
def test_a_full_tank_holds_what_the_real_gas_weighs(supply, mass):
    plant = a_plant(sagging(gas=supply), room=CABIN)
    assert plant.states[0]["gas_mass"] == pytest.approx(mass, rel=1e-5)
    assert plant.tank_pressure(0) == pytest.approx(supply.start_pressure(), rel=1e-12)
    assert plant.tank_temperature(0) == pytest.approx(293.15, abs=1e-9)


def test_the_pressure_over_liquid_carbon_dioxide_is_its_vapour_pressure():
    """5.729 MPa at 20 °C (Span and Wagner 1996, by CoolProp)."""
    assert CARBON_DIOXIDE.start_pressure() == pytest.approx(5.729e6, rel=1e-4)


def test_what_leaves_the_vehicle_is_impulse_over_exhaust_speed():
    plant = a_plant(sagging(), room=CABIN)
    fire(plant, 20.0)
    impulse = plant.states[0]["valve_impulse"].sum()
    assert impulse > 5.0
    assert plant.states[0]["gas_released"] == pytest.approx(impulse / (65.0 * 9.80665), rel=0.01)


@SUPPLIES
def test_no_gas_appears_or_disappears(supply):
    plant = a_plant(sagging(gas=supply), room=CABIN)
    before = accounted(plant)
    fire(plant, 20.0, (0, 1, 3, 4))
    assert plant.states[0]["gas_released"] > 0.01
    assert accounted(plant) == pytest.approx(before, rel=1e-13)


def test_nothing_is_used_while_the_valves_are_closed():
    plant = a_plant(sagging(), room=CABIN)
    before = plant.states[0]["gas_mass"]
    run(plant, 100)
    assert plant.states[0]["gas_mass"] == before
    assert plant.tank_pressure(0) == pytest.approx(20e6, rel=1e-12)


def test_an_empty_tank_stops_pushing_and_never_holds_less_than_nothing():
    tiny = GasSupply(volume=2e-4, pressure=1.0e6, reserve_pressure=0.8e6)
    plant = a_plant(sagging(gas=tiny), room=CABIN)
    before = accounted(plant)
    thrust = []
    for _ in range(6):
        impulse = plant.states[0]["valve_impulse"].sum()
        fire(plant, 5.0)
        thrust.append(plant.states[0]["valve_impulse"].sum() - impulse)
        assert plant.states[0]["gas_mass"] >= 0.0
        assert accounted(plant) == pytest.approx(before, rel=1e-13)
    assert np.all(np.diff(thrust) <= 0.0)
    assert thrust[-1] < 0.05 * thrust[0]


@SUPPLIES
@settings(max_examples=30)
@given(data=st.data())
def test_mass_and_energy_are_exact_whatever_is_drawn(supply, data):
    """Balance by hand: what left took its enthalpy along, and heat came in at the temperature reached."""
    tank = Tank(supply)
    state = tank.state
    mass, energy = [state["gas_mass"]], [state["gas_energy"]]
    for share in data.draw(st.lists(st.floats(0.0, 0.05), min_size=1, max_size=40)):
        drawn, enthalpy = share * state["gas_mass"], float(state["gas_enthalpy"])
        tank.advance(drawn, 0.1)
        heat = supply.heat_leak * 0.1 * (supply.ambient_temperature - state["gas_temperature"])
        mass.append(-drawn)
        energy += [heat, -drawn * enthalpy]
    assert state["gas_mass"] == pytest.approx(math.fsum(mass), rel=1e-13)
    assert state["gas_energy"] == pytest.approx(math.fsum(energy), rel=1e-12, abs=1e-9)


@SUPPLIES
@settings(max_examples=30)
@given(wall=st.sampled_from([0.0, 1.0, 400.0]), leak=st.floats(0.0, 100.0), share=st.floats(0.001, 1.5))
def test_nothing_is_ever_not_a_number_down_to_an_empty_tank(supply, wall, leak, share):
    tank = Tank(supply.model_copy(update={"wall_heat_capacity": wall, "heat_leak": leak}))
    for _ in range(60):
        tank.advance(share * max(float(tank.state["gas_mass"]), 1e-6))
        for name in ("gas_mass", "gas_energy", "gas_temperature", "tank_pressure", "lockup_pressure", "gas_released"):
            assert math.isfinite(tank.state[name]), name
        assert tank.state["gas_mass"] >= 0.0
        assert tank.state["tank_pressure"] >= 0.0
        table = tank.vehicle["gas_table"]
        assert table["coldest"] <= tank.state["gas_temperature"] <= table["hottest"]


@SUPPLIES
def test_left_alone_a_tank_comes_to_the_temperature_around_it(supply):
    tank = Tank(supply.model_copy(update={"temperature": 280.0}))
    tank.advance(0.0, 1.0, 40_000)
    assert tank.state["gas_temperature"] == pytest.approx(293.15, abs=1e-3)


def test_full_duty_freezes_carbon_dioxide_and_the_state_says_so():
    tank = Tank(CARBON_DIOXIDE)
    while not tank.state["gas_solid"]:
        tank.advance(12 * 0.28e-3 * 0.1)
        assert tank.state["gas_mass"] > 0.05, "solid forms long before the tank is empty"
    assert tank.state["gas_temperature"] == pytest.approx(216.592, abs=1e-3)
    assert tank.state["tank_pressure"] == pytest.approx(0.518e6, rel=1e-3)  # triple point of carbon dioxide


def test_the_relief_valve_opens_at_its_pressure_and_closes_at_the_lower_one():
    relief = Relief(pressure=8.0e6, reseat=7.0e6, flow=2e-3)
    tank = Tank(CARBON_DIOXIDE.model_copy(update={"relief": relief, "ambient_temperature": 325.0, "heat_leak": 2.0}))
    seen = []
    for _ in range(30_000):
        before = bool(tank.state["relief_open"]), float(tank.state["tank_pressure"]), float(tank.state["gas_vented"])
        tank.advance(0.0)
        vented = tank.state["gas_vented"] - before[2]
        if tank.state["relief_open"]:
            assert vented == pytest.approx(2e-4 * before[1] / 8.0e6, rel=1e-9)
        else:
            assert vented == 0.0
        if bool(tank.state["relief_open"]) != before[0]:
            seen.append((not before[0], before[1]))
    assert len(seen) >= 3, "it opens again"
    for opened, pressure in seen:
        assert pressure == pytest.approx(8.0e6 if opened else 7.0e6, rel=2e-3)
    assert tank.state["tank_pressure"] < 8.1e6
    assert tank.state["gas_mass"] + tank.state["gas_vented"] == pytest.approx(0.5, rel=1e-13)


def test_the_regulator_closes_higher_as_the_tank_empties_and_never_above_the_tank():
    tank = Tank(NITROGEN.model_copy(update={"regulator": Regulator(pressure=0.6e6, supply_effect=0.01)}))
    closes = tank.vehicle["lockup_start"]
    assert tank.state["lockup_pressure"] == closes
    while tank.state["gas_mass"] > 1e-4:
        tank.advance(1e-4)
        pressure = float(tank.state["tank_pressure"])
        expected = min(closes + 0.01 * (20e6 - pressure), pressure)
        assert tank.state["lockup_pressure"] == pytest.approx(expected, rel=1e-9)
    assert tank.state["lockup_pressure"] < 0.1e6
