"""The tank: mass balance, pressure, and thrust that fades when it runs empty."""

import numpy as np
import pytest

from testbed.description.vehicle import GasSupply
from tests.model.scene import CABIN, START, TICK, a_plant, a_schedule, run, steady


def fire(plant, seconds, valves=(0, 3)):
    """Keep valves open."""
    for k in range(round(seconds * 100)):
        now = START + k * TICK
        if k % 15 == 0:
            plant.accept_schedule(0, a_schedule(now, (0.0, valves), (0.1999, ())), now)
        run(plant, 1, now)


def test_the_tank_starts_with_the_mass_of_an_ideal_gas():
    plant = a_plant(steady(), room=CABIN)
    assert plant.tank_pressure(0) == pytest.approx(20e6, rel=1e-14)
    # p·V/(R·T) with R = 296.8 J/(kg·K) of nitrogen
    assert plant.states[0]["gas_mass"] == pytest.approx(20e6 * 0.0005 / (296.8 * 293.15), rel=1e-4)


def test_what_leaves_the_tank_is_impulse_over_exhaust_speed():
    plant = a_plant(steady(), room=CABIN)
    before = plant.states[0]["gas_mass"]
    fire(plant, 20.0)
    impulse = plant.states[0]["valve_impulse"].sum()
    assert impulse > 5.0
    used = before - plant.states[0]["gas_mass"]
    assert used == pytest.approx(impulse / (65.0 * 9.80665), rel=1e-12)
    assert plant.tank_pressure(0) / 20e6 == pytest.approx(1.0 - used / before, rel=1e-12)
    assert plant.tank_temperature(0) == 293.15


def test_nothing_is_used_while_the_valves_are_closed():
    plant = a_plant(steady(), room=CABIN)
    before = plant.states[0]["gas_mass"]
    run(plant, 100)
    assert plant.states[0]["gas_mass"] == before


def test_below_the_reserve_the_thrust_fades_and_the_tank_never_goes_below_empty():
    tiny = GasSupply(volume=1e-4, pressure=2.5e6, reserve_pressure=2.0e6)
    plant = a_plant(steady(gas=tiny), room=CABIN)
    before = plant.states[0]["gas_mass"]
    thrust = []
    for _ in range(6):
        impulse = plant.states[0]["valve_impulse"].sum()
        fire(plant, 5.0)
        thrust.append(plant.states[0]["valve_impulse"].sum() - impulse)
        assert plant.states[0]["gas_mass"] > 0.0
    assert np.all(np.diff(thrust) < 0.0)
    assert thrust[-1] < 0.05 * thrust[0]
    assert plant.states[0]["valve_impulse"].sum() == pytest.approx(
        (before - plant.states[0]["gas_mass"]) * 65.0 * 9.80665, rel=1e-12
    )
