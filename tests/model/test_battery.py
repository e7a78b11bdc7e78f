"""The battery: idle power, and the power of each open valve for as long as it is commanded open."""

import pytest

from tests.model.scene import CABIN, START, a_plant, a_schedule, run, steady


def test_the_idle_vehicle_uses_its_idle_power():
    plant = a_plant(steady(), room=CABIN)
    run(plant, 1000)
    assert plant.battery_energy(0) == pytest.approx(4.0e5 - 15.0 * 10.0, rel=1e-12)


def test_each_valve_uses_its_power_while_commanded_open():
    plant = a_plant(steady(), room=CABIN)
    plant.accept_schedule(0, a_schedule(START + 3_000_000, (0.0, (0, 5)), (0.0421, (5,)), (0.1, ())), START)
    run(plant, 50)
    assert 4.0e5 - plant.battery_energy(0) == pytest.approx(15.0 * 0.5 + 2.0 * (0.0421 + 0.1), rel=1e-9)


def test_an_empty_battery_stays_at_zero():
    plant = a_plant(steady(), room=CABIN)
    plant.states["battery_energy"] = 0.2
    run(plant, 10)
    assert plant.battery_energy(0) == 0.0
