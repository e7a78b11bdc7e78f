"""What schedules do in the plant: its valves, plenum and tank are as the vehicle file says, without noise."""

import numpy as np

from testbed.description import messages
from testbed.description.gas_supply import Regulator
from tests.flight.example_vehicle import vehicle
from tests.model.scene import CABIN, TICK, a_plant


def with_thrusters(of=None, **changes):
    """The example vehicle (or another) whose thrusters have these figures; its supply does not rise as it empties."""
    whole = of or vehicle()
    thrusters = whole.thrusters.model_copy(update={"misalignment_deg": 0.0, "delay_jitter": 0.0} | changes)
    gas = whole.gas.model_copy(update={"regulator": Regulator(supply_effect=0.0)})
    return whole.model_copy(update={"thrusters": thrusters, "gas": gas})


def fired(vehicle, schedules, late=2):
    """Seconds of nominal thrust of each valve, and kg of gas, that consecutive schedules let out.

    Schedules are sent so many ticks before their stamp; the plant runs on for 50 ms after the last one.
    """
    plant = a_plant(vehicle, room=CABIN)
    calm = np.zeros((1, messages.MAX_VALVES, 2))
    first, last = int(schedules[0]["stamp"]), int(schedules[-1]["stamp"])
    due = {int(schedule["stamp"]) - late * TICK: schedule for schedule in schedules}
    for now in range(first - late * TICK, last + 250_000_000, TICK):
        if now in due:
            assert plant.accept_schedule(0, due[now], now) == 0
        plant.advance(now, calm)
    state = plant.states[0]
    thrust = np.array([valve.thrust for valve in vehicle.thrusters.valves])
    return state["valve_impulse"][: len(thrust)] / thrust, float(state["gas_released"])
