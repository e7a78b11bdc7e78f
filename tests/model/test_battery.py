"""The battery: what its loads take from it, what its resistance costs, and what happens when it gives out."""

import math

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.model import Inconsistent
from testbed.description.vehicle import Battery
from testbed.model.battery import current_of, discharge, drain, energy_left
from testbed.model.schedule import Verdict
from tests.model.scene import CABIN, START, a_plant, a_schedule, run, steady

CURVE = ((0.0, 13.0), (0.1, 14.6), (0.5, 15.3), (0.9, 16.2), (1.0, 16.8))


def a_battery(**figures):
    battery = Battery(**{"open_circuit": CURVE, "internal_resistance": 0.1, **figures})
    return a_plant(steady(battery=battery), room=CABIN)


def reading(plant):
    record = np.zeros(1, messages.BATTERY)[0]
    plant.read_battery(0, START, record)
    return record


def discharged(plant, seconds, valves=0.0):
    """Drain the battery in steps of 0.1 s."""
    for _ in range(round(seconds / 0.1)):
        drain(plant.vehicles[0], plant.states[0], 0.1, 0.1 * valves)


def test_the_idle_vehicle_uses_its_idle_power():
    plant = a_battery(internal_resistance=0.0)
    run(plant, 1000)
    assert plant.states[0]["battery_delivered"] == pytest.approx(15.0 * 10.0, rel=1e-12)
    assert plant.states[0]["battery_losses"] == 0.0


def test_each_valve_uses_its_power_while_commanded_open():
    plant = a_battery()
    plant.accept_schedule(0, a_schedule(START + 3_000_000, (0.0, (0, 5)), (0.0421, (5,)), (0.1, ())), START)
    run(plant, 50)
    assert plant.states[0]["battery_delivered"] == pytest.approx(15.0 * 0.5 + 2.0 * (0.0421 + 0.1), rel=1e-9)


def test_what_the_cell_gave_is_what_was_delivered_and_lost_in_its_resistance():
    plant = a_battery()
    vehicle, state = plant.vehicles[0], plant.states[0]
    full = energy_left(vehicle, state["battery_charge"])
    assert full == pytest.approx(4.0e5, rel=1e-12)
    discharged(plant, 1000.0, valves=3.0)  # between two points of the curve
    assert 0.9 < state["battery_charge"] / vehicle["battery_capacity"] < 1.0
    used = full - energy_left(vehicle, state["battery_charge"])
    assert state["battery_delivered"] == pytest.approx(21.0 * 1000.0, rel=1e-12)
    assert used == pytest.approx(state["battery_delivered"] + state["battery_losses"], rel=1e-11)
    discharged(plant, 16_000.0, valves=3.0)
    used = full - energy_left(vehicle, state["battery_charge"])
    assert used > 0.85 * full
    assert used == pytest.approx(state["battery_delivered"] + state["battery_losses"], rel=1e-9)


def test_halving_the_step_changes_nothing_under_a_steady_load():
    charges = []
    for step in (0.1, 0.2, 1.0):
        plant = a_battery()
        for _ in range(round(2000.0 / step)):
            drain(plant.vehicles[0], plant.states[0], step, step)
        charges.append(plant.states[0]["battery_charge"] / plant.vehicles[0]["battery_capacity"])
    assert charges == pytest.approx([charges[0]] * 3, rel=1e-9)


@pytest.mark.parametrize("resistance", [0.0, 1e-9, 0.05, 1.0])
@pytest.mark.parametrize("power", [0.0, 15.0, 50.0])
def test_current_times_the_voltage_that_it_leaves_is_the_power(resistance, power):
    current = current_of(15.0, resistance, power)
    assert current * (15.0 - resistance * current) == pytest.approx(power, rel=1e-12)
    assert 0.0 <= current <= power / 15.0 * 2.0


def test_more_than_it_can_deliver_halves_its_voltage():
    """The most that a source of U behind R delivers is U²/(4R), at U/2."""
    assert current_of(15.0, 1.0, 15.0**2 / 4.0) == pytest.approx(7.5, rel=1e-7)
    assert current_of(15.0, 1.0, 1000.0) == 7.5


def test_voltage_and_current_are_told_as_the_message_wants_them():
    plant = a_battery(open_circuit=(), internal_resistance=0.1)
    at_once = reading(plant)
    run(plant, 10)
    after = reading(plant)
    current = (14.8 - math.sqrt(14.8**2 - 4.0 * 0.1 * 15.0)) / 0.2
    for one in (at_once, after):
        assert one["current"] == pytest.approx(-current, rel=1e-12)
        assert one["voltage"] == pytest.approx(14.8 - 0.1 * current, rel=1e-12)
    assert at_once["percentage"] == 1.0
    assert after["charge"] == pytest.approx(4.0e5 / 14.8 - 0.1 * current, rel=1e-12)
    assert after["power_supply_health"] == 1


def test_below_the_cut_off_valves_close_and_stay_closed():
    plant = a_battery(cutoff_voltage=15.03)
    plant.states["battery_charge"] = 0.42 * plant.vehicles["battery_capacity"]  # 15.16 V without load, 15.01 under it
    assert plant.accept_schedule(0, a_schedule(START, (0.0, (0, 1, 2, 3)), (0.19, ())), START) == Verdict.ACCEPTED
    stamp = run(plant, 20)
    assert plant.states[0]["power_off"] == 1
    assert plant.states[0]["commanded"] == 0
    assert reading(plant)["power_supply_health"] == 3
    assert plant.states[0]["valve_impulse"].sum() == pytest.approx(0.0, abs=4 * 0.15 * 0.11)
    assert plant.states[0]["valve_impulse"].sum() > 0.0
    assert plant.accept_schedule(0, a_schedule(stamp, (0.0, (0,)), (0.1, ())), stamp) == Verdict.NO_POWER
    charge = plant.states[0]["battery_charge"]
    impulse = plant.states[0]["valve_impulse"].copy()
    run(plant, 100, stamp)
    assert plant.states[0]["battery_charge"] == charge
    assert np.array_equal(plant.states[0]["valve_impulse"], impulse)


def test_an_empty_battery_gives_out_at_zero():
    plant = a_battery(cutoff_voltage=0.0)
    plant.states["battery_charge"] = 0.15
    run(plant, 20)
    assert plant.states[0]["battery_charge"] == 0.0
    assert plant.states[0]["power_off"] == 1


def test_one_that_has_given_out_carries_no_load():
    plant = a_battery()
    plant.states["power_off"], plant.states["load_seconds"] = 1, 1.0
    discharge(plant.vehicles[0], plant.states[0])
    assert plant.states[0]["battery_current"] == 0.0
    assert plant.states[0]["battery_voltage"] == 16.8


@pytest.mark.parametrize(
    ("figures", "allowed"),
    [
        ({"open_circuit": ((0.1, 13.0), (1.0, 16.0))}, "charges from 0 to 1"),
        ({"open_circuit": ((0.0, 13.0),)}, "charges from 0 to 1"),
        ({"open_circuit": ((0.0, 13.0), (0.5, 12.0), (1.0, 16.0))}, "charges and voltages that rise"),
        ({"open_circuit": ((0.0, 0.0), (1.0, 16.0))}, "voltages above zero"),
        ({"cutoff_voltage": 14.8}, "less than that of the full battery, 14.8 V"),
    ],
)
def test_a_battery_that_cannot_be_is_refused(figures, allowed):
    with pytest.raises(ValueError, match=allowed) as refused:
        Battery(**figures)
    assert isinstance(refused.value.errors()[0]["ctx"]["error"], Inconsistent)
