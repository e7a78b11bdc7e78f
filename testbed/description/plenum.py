"""Regulator and plenum as a vehicle's figures say: what the thrust sags by when several valves are open."""

from __future__ import annotations

from typing import NamedTuple

from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.state import gas_state
from testbed.description.vehicle import Vehicle


class Plenum(NamedTuple):
    """The volume between regulator and valves.

    The regulator lets in conductance·(lockup - p), kg/s, every open valve lets out its flow per pascal, and the volume
    holds capacity, kg/Pa. Conductance 0: a perfect regulator, p = lockup.
    """

    conductance: float
    lockup: float
    capacity: float


def plenum_of(vehicle: Vehicle, flow: float) -> Plenum:
    """Plenum of a vehicle whose valves let out `flow` kg/(s·Pa) each.

    With n like valves steadily open, K·(lockup - p) = n·F·p. Four open instead of one lower p by the share d, so
    K = (3 - 4·d)·F/d; maximum_sag is that of thrust, which goes with p - back. One open: nominal pressure.
    """
    gas = vehicle.gas
    pressure, back = gas.regulator.pressure, gas.back_pressure
    droop = vehicle.thrusters.maximum_sag * (1.0 - back / pressure)
    conductance = (3.0 - 4.0 * droop) * flow / droop if droop > 0.0 else 0.0
    lockup = pressure * (1.0 + flow / conductance) if conductance > 0.0 else pressure
    return Plenum(conductance, lockup, gas.plenum_volume * _density_per_pressure(vehicle))


def _density_per_pressure(vehicle: Vehicle) -> float:
    """Density of the gas in the plenum over its pressure, kg/(m³·Pa): its pipes keep it as warm as the surroundings."""
    gas, table = vehicle.gas, gas_table(vehicle.gas.kind)[0]
    density = gas.regulator.pressure / (float(table["gas_constant"]) * gas.ambient_temperature)
    return density / float(gas_state(table, gas.ambient_temperature, density).pressure)
