"""What the conductor makes of pressures and temperatures: warnings, the room's air, the outlook."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.description.gas_supply import GasSupply
from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.layout import PRESSURE
from testbed.description.gas_tables.state import saturation
from testbed.plan.results import Verdict
from testbed.plan.room_air import room_volume_of
from testbed.plan.sequence import Sequence
from tests.plan.world import START, World, configuration

LIQUID = GasSupply(kind="carbon_dioxide", volume=0.8e-3, mass=0.5, specific_impulse=52.0)


def with_gas(gas=LIQUID, room=None, limit=None):
    """The first float with another gas, room and limit."""
    base = configuration("first-float")
    vehicles = {name: vehicle.model_copy(update={"gas": gas}) for name, vehicle in base.vehicles.items()}
    plan = base.plan.model_copy(update={"gas_limit_ppm": limit})
    return replace(base, vehicles=vehicles, plan=plan, table=base.table.model_copy(update=room or {}))


def saturated(temperature):
    """Pressure and temperature over liquid."""
    return float(saturation(gas_table("carbon_dioxide")[0], temperature)[PRESSURE]), temperature


def warnings(world):
    return [event.data["text"] for event in world.events if event.kind == "gas_warning"]


def running(configuration):
    world = World(Sequence(configuration))
    world.step(START)
    world.until("running")
    return world


def test_a_cold_tank_is_warned_of_once_and_again_after_it_was_warm():
    world = running(with_gas())
    for temperature in (293.0, 271.0, 269.9, 269.0, 268.0, 272.0, 269.9):
        world.step(supply={"wren": saturated(temperature)})
    told = warnings(world)
    assert len(told) == 2
    assert "the tank of wren is down to 269.9 K" in told[0]
    assert "solid forms at 216.6 K" in told[0]


def test_when_solid_forms_the_try_is_aborted_and_it_is_said_that_thrust_is_not_modelled():
    world = running(with_gas())
    world.step(supply={"wren": saturated(217.5)})
    assert world.states[-1].phase == "running"
    world.step(supply={"wren": (517_950.0, 216.592)})
    assert world.states[-1].phase == "evaluating"
    assert "solid carbon dioxide forms in the tank of wren" in world.states[-1].decision
    assert "thrust is not modelled from here on" in warnings(world)[-1]
    for _ in range(5):
        world.step()
    assert world.sequence.results[0].tries[0].verdict is Verdict.ABORTED


def test_at_full_duty_the_warning_comes_long_before_solid_forms():
    """Of the emulated tank at 12 valves: 270 K is reached in the first half of the time that it takes to freeze."""
    from testbed.plan.gas_outlook import full_flow
    from tests.model.test_tank import Tank

    vehicle = with_gas().vehicles["wren"]
    tank, warned, seconds = Tank(vehicle.gas), None, 0.0
    while not tank.state["gas_solid"]:
        tank.advance(0.1 * full_flow(vehicle))
        seconds += 0.1
        if warned is None and tank.state["gas_temperature"] < vehicle.gas.warning_temperature:
            warned = seconds
    assert warned < 0.6 * seconds
    assert seconds - warned > 50.0


def test_released_gas_adds_up_in_the_room_and_is_warned_of_at_the_limit():
    nitrogen = GasSupply(volume=0.5e-3, pressure=20e6)
    world = running(with_gas(nitrogen, {"room_volume": 10.0, "air_changes_per_hour": 0.0}, limit=500.0))
    full = nitrogen.start_mass()
    for pressure in np.linspace(20e6, 18e6, 30):
        state = world.step(supply={"wren": (pressure, 293.15)}).state
    used = full - float(nitrogen.mass_at(18e6, 293.15))
    assert state.room_gas_ppm == pytest.approx(1e6 * room_volume_of("nitrogen", used) / 10.0, abs=0.1)
    assert state.room_gas_ppm > 500.0
    (told,) = warnings(world)
    assert "500 ppm is the plan's limit" in told
    assert "displaces oxygen" in told


def test_without_a_limit_the_air_is_told_and_not_warned_of():
    nitrogen = GasSupply(volume=0.5e-3, pressure=20e6)
    world = running(with_gas(nitrogen, {"room_volume": 1.0}))
    world.step(supply={"wren": (20e6, 293.15)})
    assert world.step(supply={"wren": (15e6, 293.15)}).state.room_gas_ppm > 5000.0
    assert warnings(world) == []


def test_ventilation_clears_the_room():
    nitrogen = GasSupply(volume=0.5e-3, pressure=20e6)
    world = running(with_gas(nitrogen, {"room_volume": 10.0, "air_changes_per_hour": 60.0}))
    world.step(supply={"wren": (20e6, 293.15)})
    before = world.step(supply={"wren": (19e6, 293.15)}).state.room_gas_ppm
    for _ in range(300):
        after = world.step(supply={"wren": (19e6, 293.15)}).state.room_gas_ppm
    assert after == pytest.approx(before * np.exp(-30.0 / 60.0), abs=0.2)


def test_the_state_tells_how_far_the_gas_goes_and_learns_from_tries():
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.until("running")
    world.gas_per_step = 2e3
    for _ in range(30):
        state = world.step().state
    assert set(state.outlook) == {"wren", "siskin", "dunlin"}
    assert state.outlook["wren"]["full_thrust"] == pytest.approx(49.0, abs=2.0)
    assert state.outlook["wren"]["delta_v"] == pytest.approx(4.9, abs=0.2)
    assert state.outlook["wren"]["runs"] is None
    while world.step().state.run == "hold-station":
        pass
    for _ in range(20):
        state = world.step().state
    used = 1e3 * (0.10927 - state.gas_left_g["wren"] * 1e-3)
    assert state.outlook["wren"]["runs"] == pytest.approx(state.outlook["wren"]["usable_g"] // used, abs=1)


def test_the_mass_over_liquid_is_told_by_the_heat_balance():
    world = running(with_gas())
    for temperature in np.linspace(293.15, 290.0, 64):
        state = world.step(supply={"wren": saturated(float(temperature))}).state
    assert 460.0 < state.gas_left_g["wren"] < 490.0
