"""Each property of the battery alone, against its closed form."""

import math

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.effects import Effect
from testbed.description.vehicle import Battery
from testbed.model.battery import drain
from testbed.model.schedule import Verdict
from tests.model.effects.alone import plant_with
from tests.model.scene import CABIN, START, a_schedule, a_vehicle, run

ENERGY, NOMINAL, RESISTANCE = 4.0e5, 14.8, 0.2
CURVE = ((0.0, 12.0), (1.0, 16.0))
IDLE, VALVE = 15.0, 2.0


def plant(*effects, **figures):
    figures = {"open_circuit": CURVE, "internal_resistance": RESISTANCE, "cutoff_voltage": 12.5, **figures}
    return plant_with(*effects, room=CABIN, vehicles=(a_vehicle(battery=Battery(energy=ENERGY, **figures)),))


def reading(one):
    record = np.zeros(1, messages.BATTERY)[0]
    one.read_battery(0, START, record)
    return record


def used(one, voltage=NOMINAL):
    """Charge gone, times this voltage, J."""
    return float(one.vehicles[0]["battery_capacity"] - one.states[0]["battery_charge"]) * voltage


def loads_use_their_power():
    one = plant(Effect.BATTERY_DRAIN)
    one.accept_schedule(0, a_schedule(START, (0.0, (0, 5)), (0.04, (5,)), (0.1, ())), START)
    run(one, 50)
    assert used(one) == pytest.approx(IDLE * 0.5 + VALVE * (0.04 + 0.1), rel=1e-8)


def resistance_costs_current_squared():
    one = plant(Effect.BATTERY_DRAIN, Effect.BATTERY_RESISTANCE)  # without a load it costs nothing
    run(one, 100)
    current = (NOMINAL - math.sqrt(NOMINAL**2 - 4.0 * RESISTANCE * IDLE)) / (2.0 * RESISTANCE)
    assert reading(one)["voltage"] == pytest.approx(NOMINAL - RESISTANCE * current, rel=1e-12)
    assert used(one) - IDLE * 1.0 == pytest.approx(RESISTANCE * current**2 * 1.0, rel=1e-6)


def voltage_falls_with_charge():
    one = plant(Effect.BATTERY_DRAIN, Effect.BATTERY_CURVE)
    capacity = ENERGY / 14.0
    assert reading(one)["voltage"] == 16.0
    for _ in range(5000):
        drain(one.vehicles[0], one.states[0], 0.1, 0.0)
    # with U = 12 + 4·q/C: energy used is C·(U² - 16²)/8 of the fall from 16 V
    share = (math.sqrt(16.0**2 - 8.0 * IDLE * 500.0 / capacity) - 12.0) / 4.0
    assert reading(one)["percentage"] == pytest.approx(share, rel=1e-9)
    assert reading(one)["voltage"] == pytest.approx(12.0 + 4.0 * share, rel=1e-5)


def it_gives_out_below_its_cut_off():
    effects = (Effect.BATTERY_DRAIN, Effect.BATTERY_CURVE, Effect.BATTERY_CUTOFF)
    one, endless = plant(*effects), plant(*effects[:2])
    for each in (one, endless):
        each.states["battery_charge"] = (0.125 + 6e-6) * each.vehicles["battery_capacity"]  # cut off at 12.5 V: 0.125
        run(each, 10)
    assert one.states[0]["power_off"] == 0
    for each in (one, endless):
        run(each, 10)
        each.accept_schedule(0, a_schedule(START, (0.0, (0,)), (0.1, ())), START)
        run(each, 20)
    assert (one.states[0]["power_off"], endless.states[0]["power_off"]) == (1, 0)
    assert one.states[0]["verdicts"][Verdict.NO_POWER] == 1
    assert one.states[0]["valve_impulse"].sum() == 0.0
    assert endless.states[0]["valve_impulse"].sum() > 0.0


CASES = {
    Effect.BATTERY_DRAIN: loads_use_their_power,
    Effect.BATTERY_RESISTANCE: resistance_costs_current_squared,
    Effect.BATTERY_CURVE: voltage_falls_with_charge,
    Effect.BATTERY_CUTOFF: it_gives_out_below_its_cut_off,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_in_the_ideal_world_it_lasts_for_ever():
    one = plant()
    run(one, 100)
    assert used(one) == 0.0
    assert reading(one)["voltage"] == NOMINAL
