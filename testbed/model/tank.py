"""The tank: mass and energy of what is in it, and the temperature and pressure that follow.

State is the mass of gas and the energy of gas and wall together, so both balances are exact to rounding: gas leaves
with its enthalpy, heat comes in from the surroundings, nothing else changes them. Temperature is where the table
(description/gas_tables, from CoolProp) gives that energy: wall and contents share it. Of two phases, vapour leaves, and
what boils off cools the rest.

The mass of the vehicle itself is not lowered with its gas, 1 % of a vehicle of the demo lab with nitrogen and 4 % with
carbon dioxide on the floor: its file gives the masses that it flies with.

At the triple point solid forms: the temperature stays there, energy is accounted for on, and state.gas_solid says so,
for from then on neither what the tank gives nor the thrust is modelled. The same mark tells that nitrogen or air became
colder than their table.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from numba import njit
from numpy.typing import NDArray

from testbed.description.gas_supply import GasSupply
from testbed.description.gas_tables.state import gas_state
from testbed.model.plenum import note_drawn

CLOSE_ENOUGH: Final = 0.01
"""K; the slopes of the table carry the rest of the way, and energy keeps what that leaves out for the next update."""
LARGEST_CHANGE: Final = 10.0
"""K; more in one iteration might jump past the saturation line and back."""
ITERATIONS: Final = 30


@njit(cache=True)
def advance_tank(vehicle: Any, state: Any, drawn: float, seconds: float) -> None:
    """Take `drawn` kg out towards the plenum and let `seconds` s go by; sets pressures and temperature anew.

    drawn may be negative where a plenum gives gas back. What the tank no longer had is taken back from the plenum.
    """
    if drawn > state.gas_mass:
        _take_back(vehicle, state, drawn - state.gas_mass)
        drawn = state.gas_mass
    if state.tank_pressure >= vehicle.relief_pressure:
        state.relief_open = 1
    elif state.tank_pressure <= vehicle.relief_reseat:
        state.relief_open = 0
    flow = vehicle.tank_leak * state.tank_pressure / vehicle.start_pressure
    if state.relief_open:
        flow += vehicle.relief_flow * state.tank_pressure / vehicle.relief_pressure
    vented = min(flow * seconds, state.gas_mass - drawn)
    state.gas_vented += vented
    state.gas_mass -= drawn + vented
    state.gas_energy -= (drawn + vented) * state.gas_enthalpy
    settle_tank(vehicle, state, seconds)


@njit(cache=True)
def settle_tank(vehicle: Any, state: Any, seconds: float) -> None:
    """Let heat come in for `seconds` s (implicit, so that a light tank cannot overshoot) and find the temperature."""
    table = vehicle.gas_table
    mass, temperature = state.gas_mass, state.gas_temperature
    leak = vehicle.heat_leak * seconds
    state.gas_solid = 0
    found = gas_state(table, temperature, mass / vehicle.tank_volume)
    change = 0.0
    for _ in range(ITERATIONS):
        missing = state.gas_energy + leak * (vehicle.ambient_temperature - temperature)
        missing -= mass * found.energy + vehicle.wall_heat_capacity * temperature
        capacity = mass * found.energy_slope + vehicle.wall_heat_capacity + leak
        change = min(max(missing / capacity, -LARGEST_CHANGE), LARGEST_CHANGE) if capacity > 0.0 else 0.0
        if temperature + change <= table.coldest:
            change = table.coldest - temperature
            state.gas_solid = 1
        change = min(change, table.hottest - temperature)
        if abs(change) < CLOSE_ENOUGH:
            break
        temperature += change
        change = 0.0
        found = gas_state(table, temperature, mass / vehicle.tank_volume)
    state.gas_temperature = temperature + change
    state.tank_pressure = found.pressure + change * found.pressure_slope
    state.gas_enthalpy = found.enthalpy
    state.gas_energy += leak * (vehicle.ambient_temperature - state.gas_temperature)
    set_lockup(vehicle, state)


@njit(cache=True)
def set_lockup(vehicle: Any, state: Any) -> None:
    """Pressure at which the regulator closes: it rises as the tank's falls, and is never above it."""
    rise = vehicle.supply_effect * (vehicle.start_pressure - state.tank_pressure)
    state.lockup_pressure = min(vehicle.lockup_start + rise, state.tank_pressure)


@njit(cache=True)
def _take_back(vehicle: Any, state: Any, missing: float) -> None:
    """Undo `missing` kg of what the plenum has got from an empty tank: first what it holds, then what it let out."""
    held = min(missing, vehicle.plenum_capacity * state.plenum_pressure)
    if held > 0.0:
        state.plenum_pressure -= held / vehicle.plenum_capacity
    state.gas_released -= missing - held


@njit(cache=True)
def _fill_tank(vehicles: Any, states: Any, index: int, mass: float, temperature: float) -> None:
    vehicle, state = vehicles[index], states[index]
    found = gas_state(vehicle.gas_table, temperature, mass / vehicle.tank_volume)
    state.gas_mass = mass
    state.gas_temperature = temperature
    state.gas_energy = mass * found.energy + vehicle.wall_heat_capacity * temperature
    settle_tank(vehicle, state, 0.0)
    state.plenum_pressure = state.lockup_pressure
    state.gas_released = state.gas_vented = 0.0
    note_drawn(state)
    state.relief_open = 0


def fill_tanks(supplies: Sequence[GasSupply], vehicles: NDArray[Any], states: NDArray[Any]) -> None:
    """Fill the tank of every vehicle as for the start of a session, and its plenum up to where the regulator closes."""
    for index, supply in enumerate(supplies):
        _fill_tank(vehicles, states, index, supply.start_mass(), supply.temperature)
