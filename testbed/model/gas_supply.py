"""Parameters of tank, regulator and plenum from a vehicle's description."""

from __future__ import annotations

from typing import Final

import numpy as np

from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.gas_tables import gas_table
from testbed.description.plenum import plenum_of
from testbed.description.vehicle import Vehicle

NO_RELIEF: Final = 1e12
"""Pa, which no tank reaches."""


def set_supply(one: np.void, vehicle: Vehicle) -> None:
    """Fill the gas fields of a records.VEHICLE whose valves (valve_count, valve_thrust) are filled already."""
    gas = vehicle.gas
    one["gas_table"] = gas_table(gas.kind)[0]
    one["tank_volume"], one["wall_heat_capacity"] = gas.volume, gas.wall_heat_capacity
    one["heat_leak"], one["ambient_temperature"] = gas.heat_leak, gas.ambient_temperature
    one["relief_pressure"] = one["relief_reseat"] = NO_RELIEF
    if gas.relief is not None:
        one["relief_pressure"], one["relief_reseat"] = gas.relief.pressure, gas.relief.reseat
        one["relief_flow"] = gas.relief.flow
    one["start_pressure"] = gas.start_pressure()
    one["exhaust_speed"] = gas.specific_impulse * STANDARD_GRAVITY
    _set_regulator(one, vehicle)


def _set_regulator(one: np.void, vehicle: Vehicle) -> None:
    """Regulator and plenum, for valves whose flow has its spread already."""
    gas = vehicle.gas
    pressure, back = gas.regulator.pressure, gas.back_pressure
    one["nominal_pressure"], one["back_pressure"] = pressure, back
    one["strength_per_pressure"] = 1.0 / (pressure - back)
    one["valve_flow"] = one["valve_thrust"] / (one["exhaust_speed"] * pressure)
    plenum = plenum_of(vehicle, float(one["valve_flow"][: one["valve_count"]].mean()))
    one["regulator_conductance"], one["lockup_start"] = plenum.conductance, plenum.lockup
    one["supply_effect"] = gas.regulator.supply_effect
    one["plenum_capacity"] = plenum.capacity
    one["per_plenum_capacity"] = 1.0 / one["plenum_capacity"]
