"""State of a gas in a tank from its temperature and density: cubic interpolation in a table."""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.gas_tables.layout import (
    COMPRESSIBILITY,
    DENSITY_NODES,
    ENERGY,
    LIQUID_DENSITY,
    LIQUID_ENERGY,
    PRESSURE,
    SATURATION_NODES,
    TEMPERATURE_NODES,
    VAPOUR_DENSITY,
    VAPOUR_ENERGY,
)

LEAST_BELOW: Final = 1e-3
"""Least (1 - T/critical)^(1/3) at which slopes of the saturation line are taken; at 0 they are infinite."""
HALVINGS: Final = 60


class GasState(NamedTuple):
    """What a table says of one temperature and density; slopes are over temperature at that density."""

    pressure: float
    """Pa."""
    pressure_slope: float
    """Pa/K."""
    energy: float
    """Specific internal energy of all that is in the tank, J/kg."""
    energy_slope: float
    """J/(kg·K)."""
    enthalpy: float
    """Specific enthalpy of what leaves: of the vapour where there are two phases, J/kg."""
    liquid: float
    """Mass fraction of liquid; 1 where liquid fills the tank."""


class _Weights(NamedTuple):
    first: int
    values: tuple[float, float, float, float]
    slopes: tuple[float, float, float, float]


@njit(cache=True)
def _weights(place: float, nodes: int) -> _Weights:
    """Cubic Lagrange weights of the four nodes around a place (in units of the spacing), and their slopes."""
    first = min(max(int(place) - 1, 0), nodes - 4)
    x = place - first - 1.0
    xx = x * x
    return _Weights(
        first,
        (
            -x * (x - 1.0) * (x - 2.0) / 6.0,
            (x + 1.0) * (x - 1.0) * (x - 2.0) / 2.0,
            -(x + 1.0) * x * (x - 2.0) / 2.0,
            (x + 1.0) * x * (x - 1.0) / 6.0,
        ),
        (
            -(3.0 * xx - 6.0 * x + 2.0) / 6.0,
            (3.0 * xx - 4.0 * x - 1.0) / 2.0,
            -(3.0 * xx - 2.0 * x - 2.0) / 2.0,
            (3.0 * xx - 1.0) / 6.0,
        ),
    )


@njit(cache=True)
def _single_phase(table: Any, temperature: float, density: float, liquid: float) -> GasState:
    span = table.hottest - table.coldest
    row = _weights((temperature - table.coldest) / span * (TEMPERATURE_NODES - 1), TEMPERATURE_NODES)
    column = _weights(density / table.densest * (DENSITY_NODES - 1), DENSITY_NODES)
    z = z_slope = energy = energy_slope = 0.0
    for i in range(4):
        across_z = across_energy = 0.0
        for j in range(4):
            weight = column.values[j]
            across_z += weight * table.single_phase[row.first + i, column.first + j, COMPRESSIBILITY]
            across_energy += weight * table.single_phase[row.first + i, column.first + j, ENERGY]
        z += row.values[i] * across_z
        z_slope += row.slopes[i] * across_z
        energy += row.values[i] * across_energy
        energy_slope += row.slopes[i] * across_energy
    per_kelvin = (TEMPERATURE_NODES - 1) / span
    constant = table.gas_constant
    return GasState(
        pressure=density * constant * temperature * z,
        pressure_slope=density * constant * (z + temperature * z_slope * per_kelvin),
        energy=energy,
        energy_slope=energy_slope * per_kelvin,
        enthalpy=energy + constant * temperature * z,
        liquid=liquid,
    )


@njit(cache=True)
def gas_state(table: Any, temperature: float, density: float) -> GasState:
    """State at a temperature in K and a mean density in kg/m³, both inside the table; table: layout.GAS_TABLE."""
    critical = table.critical_temperature
    if temperature >= critical:
        return _single_phase(table, temperature, density, 0.0)
    deepest = (1.0 - table.coldest / critical) ** (1.0 / 3.0)
    below = (1.0 - temperature / critical) ** (1.0 / 3.0)
    weights = _weights(below / deepest * (SATURATION_NODES - 1), SATURATION_NODES)
    per_kelvin = (SATURATION_NODES - 1) / deepest * -1.0 / (3.0 * critical * max(below, LEAST_BELOW) ** 2)
    liquid_density = vapour_density = 0.0
    for k in range(4):
        liquid_density += weights.values[k] * table.saturation[weights.first + k, LIQUID_DENSITY]
        vapour_density += weights.values[k] * table.saturation[weights.first + k, VAPOUR_DENSITY]
    if density <= vapour_density:
        return _single_phase(table, temperature, density, 0.0)
    if density >= liquid_density:
        return _single_phase(table, temperature, density, 1.0)
    pressure = pressure_slope = liquid_slope = vapour_slope = 0.0
    liquid_energy = liquid_energy_slope = vapour_energy = vapour_energy_slope = 0.0
    for k in range(4):
        value, slope = weights.values[k], weights.slopes[k] * per_kelvin
        row = table.saturation[weights.first + k]
        pressure += value * row[PRESSURE]
        pressure_slope += slope * row[PRESSURE]
        liquid_slope += slope * row[LIQUID_DENSITY]
        vapour_slope += slope * row[VAPOUR_DENSITY]
        liquid_energy += value * row[LIQUID_ENERGY]
        liquid_energy_slope += slope * row[LIQUID_ENERGY]
        vapour_energy += value * row[VAPOUR_ENERGY]
        vapour_energy_slope += slope * row[VAPOUR_ENERGY]
    # specific volumes share the tank: 1/density = (1 - quality)/liquid_density + quality/vapour_density
    least, most = 1.0 / liquid_density, 1.0 / vapour_density
    least_slope = -liquid_slope * least * least
    most_slope = -vapour_slope * most * most
    quality = (1.0 / density - least) / (most - least)
    quality_slope = -(least_slope + quality * (most_slope - least_slope)) / (most - least)
    latent = vapour_energy - liquid_energy
    return GasState(
        pressure=pressure,
        pressure_slope=pressure_slope,
        energy=liquid_energy + quality * latent,
        energy_slope=liquid_energy_slope
        + quality * (vapour_energy_slope - liquid_energy_slope)
        + quality_slope * latent,
        enthalpy=vapour_energy + pressure * most,
        liquid=1.0 - quality,
    )


@njit(cache=True)
def gas_density(table: Any, temperature: float, pressure: float) -> float:
    """Density in kg/m³ of a gas at a temperature in K and a pressure in Pa.

    NaN where these two do not tell: outside the table, or where liquid may be there (at and above saturation pressure).
    """
    if not table.coldest <= temperature <= table.hottest or pressure < 0.0:
        return math.nan
    densest = table.densest
    if temperature < table.critical_temperature:
        line = saturation(table, temperature)
        if pressure >= line[PRESSURE]:
            return math.nan
        densest = line[VAPOUR_DENSITY]
    if pressure > _single_phase(table, temperature, densest, 0.0).pressure:
        return math.nan
    low, high = 0.0, densest
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        if _single_phase(table, temperature, middle, 0.0).pressure < pressure:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


@njit(cache=True)
def gas_densities(table: Any, temperatures: NDArray[np.float64], pressures: NDArray[np.float64]) -> NDArray[np.float64]:
    """`gas_density` of each pair, shape (n,)."""
    densities = np.empty(len(pressures))
    for k in range(len(pressures)):
        densities[k] = gas_density(table, temperatures[k], pressures[k])
    return densities


@njit(cache=True)
def saturation(table: Any, temperature: float) -> NDArray[np.float64]:
    """Row of layout's `saturation` at a temperature in K between the triple point and the critical point."""
    deepest = (1.0 - table.coldest / table.critical_temperature) ** (1.0 / 3.0)
    below = (1.0 - temperature / table.critical_temperature) ** (1.0 / 3.0)
    weights = _weights(below / deepest * (SATURATION_NODES - 1), SATURATION_NODES)
    row = np.zeros(5)
    for k in range(4):
        row += weights.values[k] * table.saturation[weights.first + k]
    return row
