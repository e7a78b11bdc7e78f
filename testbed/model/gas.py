"""The tank: ideal gas at constant temperature, emptied by what the valves let out.

Temperature stays constant because the tank's mass warms the gas at the flows of a free-flyer. The mass of the vehicle
itself is not lowered with its gas (at most 2 %).
"""

from __future__ import annotations

from typing import Any

from numba import njit


@njit(cache=True)
def tank_pressure(vehicle: Any, state: Any) -> float:
    """Tank pressure, Pa, from the mass left."""
    return vehicle.pressure_per_mass * state.gas_mass


@njit(cache=True)
def supply_strength(vehicle: Any, state: Any) -> float:
    """Share of the nominal thrust that the supply gives: 1, below the reserve pressure falling with the pressure."""
    return min(1.0, tank_pressure(vehicle, state) / vehicle.reserve_pressure)


@njit(cache=True)
def use_gas(vehicle: Any, state: Any, impulse: float) -> None:
    """Take from the tank the mass that made this impulse, N·s (summed over valves)."""
    state.gas_mass -= min(state.gas_mass, impulse / vehicle.exhaust_speed)
