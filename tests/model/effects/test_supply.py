"""Each imperfection of the gas supply alone: thrust, pressure or heat against its closed form."""

import math

import numpy as np
import pytest

from testbed.description.effects import Effect
from testbed.description.gas_supply import GasSupply, Regulator, Relief
from testbed.model.tank import advance_tank
from tests.model.effects.alone import plant_with
from tests.model.scene import CABIN, LEVEL, SILENCE, START, TICK, a_schedule, a_vehicle, run, steady

THRUST, MASS, NOMINAL = 0.15, 6.0, 0.6e6
FULL = GasSupply(volume=0.5e-3, pressure=20e6)
PUSHING = (1, 7)
"""Valves that together push along y without turning."""
FOUR = (1, 7, 2, 11)
"""The same with two vertical ones that do not turn either."""


def plant_on(gas, *effects, maximum_sag=0.12):
    vehicle = a_vehicle(thrusters={"maximum_sag": maximum_sag}, gas=gas)
    plant = plant_with(*effects, vehicles=[vehicle], room=CABIN, noise=SILENCE)
    plant.place(0, np.zeros(3), LEVEL, START)
    return plant


def fire(plant, ticks, valves, stamp=START):
    """Keep valves open, and return the stamp reached."""
    for k in range(ticks):
        now = stamp + k * TICK
        if k % 10 == 0:
            plant.accept_schedule(0, a_schedule(now, (0.0, valves), (0.1999, ())), now)
        run(plant, 1, now)
    return stamp + ticks * TICK


def push_along_y(plant, valves):
    """Thrust along y in N of the second 0.2 s in which these valves are open."""
    stamp = fire(plant, 20, valves)
    before = float(plant.states[0]["velocity"][1])
    fire(plant, 20, valves, stamp)
    return MASS * (float(plant.states[0]["velocity"][1]) - before) / 0.2


def draw(plant, pressure):
    """Take gas out of the tank until it is at a pressure, Pa."""
    state = plant.states[0]
    while state["tank_pressure"] > pressure:
        excess = state["gas_mass"] * (1.0 - pressure / state["tank_pressure"])
        advance_tank(plant.vehicles[0], state, max(0.5 * excess, 1e-9), 1e-6)
    state["plenum_pressure"] = state["lockup_pressure"]


def four_valves_push_less_by_the_sag_and_the_plenum_falls_exponentially():
    assert push_along_y(plant_on(FULL, Effect.PLENUM_SAG), FOUR) == pytest.approx(0.88 * 2 * THRUST, rel=1e-5)
    assert push_along_y(plant_on(FULL, Effect.PLENUM_SAG), PUSHING) == pytest.approx(
        2 * THRUST * (3.0 - 3.0 * 0.12) / (3.0 - 2.0 * 0.12), rel=1e-5
    )
    plant = plant_on(FULL, Effect.PLENUM_SAG)
    flow = THRUST / (65.0 * 9.80665 * NOMINAL)
    conductance = (3.0 - 4.0 * 0.12) / 0.12 * flow
    capacity = 20e-6 / (296.8 * 293.15)  # kg/Pa, ideal gas at room temperature
    final = 0.88 * NOMINAL
    begin = NOMINAL * (1.0 + flow / conductance)
    for tick in range(1, 8):
        fire(plant, 1, FOUR, START + (tick - 1) * TICK)
        fallen = math.exp(-0.01 * tick * (conductance + 4.0 * flow) / capacity)
        expected = final + (begin - final) * fallen
        assert plant.states[0]["plenum_pressure"] == pytest.approx(expected, rel=2e-4)


def thrust_rises_as_the_tank_empties():
    gas = FULL.model_copy(update={"regulator": Regulator(supply_effect=0.004)})
    plant = plant_on(gas, Effect.SUPPLY_EFFECT)
    draw(plant, 10e6)
    fallen = 20e6 - plant.tank_pressure(0)
    expected = 2 * THRUST * (1.0 + 0.004 * fallen / NOMINAL)
    assert push_along_y(plant, PUSHING) == pytest.approx(expected, rel=1e-3)
    assert expected / (2 * THRUST) > 1.06


def thrust_falls_faster_than_pressure_by_the_back_pressure():
    for effects, expected in (((), 0.4 / 0.6), ((Effect.BACK_PRESSURE,), 0.3 / 0.5)):
        plant = plant_on(FULL.model_copy(update={"volume": 0.1}), *effects)
        draw(plant, 0.4e6)
        assert push_along_y(plant, PUSHING) == pytest.approx(2 * THRUST * expected, rel=1e-3)


def what_leaves_cools_the_rest_by_the_work_it_takes_along():
    """dT = -(T/ρ)·(∂p/∂T)·dm/(m·cv + C), from dU = h·dm and Maxwell's relation for the energy of a real gas.

    Nitrogen at 20 MPa and 293.15 K, by CoolProp: 218.54 kg/m³, 96.21 kPa/K at that density, cv = 782.9 J/(kg·K).
    """
    plant = plant_on(FULL, Effect.TANK_COOLING)
    advance_tank(plant.vehicles[0], plant.states[0], 1e-3, 0.1)
    expected = -293.15 / 218.54 * 96.21e3 * 1e-3 / (0.10927 * 782.9 + 400.0)
    assert plant.tank_temperature(0) - 293.15 == pytest.approx(expected, rel=0.01)
    isothermal = plant_on(FULL)
    advance_tank(isothermal.vehicles[0], isothermal.states[0], 1e-3, 0.1)
    assert isothermal.tank_temperature(0) == pytest.approx(293.15, abs=1e-6)


def heat_comes_in_in_proportion_to_what_the_tank_is_colder():
    cold = FULL.model_copy(update={"temperature": 280.0, "heat_leak": 2.0})
    plant = plant_on(cold, Effect.HEAT_LEAK)
    before = float(plant.states[0]["gas_energy"])
    run(plant, 1000)
    gained = float(plant.states[0]["gas_energy"]) - before
    assert gained == pytest.approx(2.0 * 13.15 * 10.0, rel=1e-4)
    # together with a wall that warms: exponential, here of a wall so thick that the gas hardly counts
    thick = cold.model_copy(update={"wall_heat_capacity": 4000.0})
    plant = plant_on(thick, Effect.HEAT_LEAK, Effect.TANK_COOLING)
    run(plant, 10_000)
    warmed = math.exp(-2.0 * 100.0 / (4000.0 + 0.1157 * 780.0))
    assert 293.15 - plant.tank_temperature(0) == pytest.approx(13.15 * warmed, rel=1e-3)


def the_relief_valve_lets_pressure_fall_exponentially_down_to_its_reseat():
    """Nearly ideal at this pressure: dm/dt = -flow·p/p_relief with m = pV/(RT)."""
    gas = GasSupply(volume=0.5e-3, pressure=2.0e6, reserve_pressure=0.7e6)
    open_at_once = gas.model_copy(update={"relief": Relief(pressure=1.5e6, reseat=1.0e6, flow=2e-4)})
    plant = plant_on(open_at_once, Effect.RELIEF)
    rate = 2e-4 / 1.5e6 * 296.8 * 293.15 / 0.5e-3
    run(plant, 2000)
    assert plant.tank_pressure(0) == pytest.approx(2.0e6 * math.exp(-20.0 * rate), rel=5e-3)
    run(plant, 3000, START + 2000 * TICK)
    assert plant.tank_pressure(0) == pytest.approx(1.0e6, rel=5e-3)
    closed = plant_on(open_at_once)
    run(closed, 1000)
    assert closed.tank_pressure(0) == pytest.approx(2.0e6, rel=1e-9)


CASES = {
    Effect.PLENUM_SAG: four_valves_push_less_by_the_sag_and_the_plenum_falls_exponentially,
    Effect.SUPPLY_EFFECT: thrust_rises_as_the_tank_empties,
    Effect.BACK_PRESSURE: thrust_falls_faster_than_pressure_by_the_back_pressure,
    Effect.TANK_COOLING: what_leaves_cools_the_rest_by_the_work_it_takes_along,
    Effect.HEAT_LEAK: heat_comes_in_in_proportion_to_what_the_tank_is_colder,
    Effect.RELIEF: the_relief_valve_lets_pressure_fall_exponentially_down_to_its_reseat,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_an_ideal_supply_gives_the_same_thrust_for_ever():
    plant = plant_on(FULL)
    assert push_along_y(plant, FOUR) == pytest.approx(2 * THRUST, rel=1e-12)
    draw(plant, 3e6)
    assert push_along_y(plant, FOUR) == pytest.approx(2 * THRUST, rel=1e-9)


def test_with_one_valve_open_and_a_full_tank_thrust_is_what_the_file_says():
    """Droop and back pressure both on: the figures of the file are meant for one valve steadily open."""
    plant = plant_on(FULL, Effect.PLENUM_SAG, Effect.BACK_PRESSURE)
    assert push_along_y(plant, (1,)) == pytest.approx(THRUST, rel=0.02)
    sagging = plant_on(FULL, Effect.PLENUM_SAG, Effect.BACK_PRESSURE)
    assert push_along_y(sagging, FOUR) == pytest.approx(0.88 * 2 * THRUST, rel=1e-5)
    assert steady().thrusters.valves[1].thrust == THRUST
