"""How much gas is in a tank: the ideal gas law for nitrogen."""

from __future__ import annotations

from typing import Final

STANDARD_GRAVITY: Final = 9.80665
"""m/s², by definition; turns a specific impulse in s into an exhaust speed."""
NITROGEN_GAS_CONSTANT: Final = 296.8
"""Specific gas constant of nitrogen, J/(kg·K): 8.314 J/(mol·K) / 28.01 g/mol, both from memory."""


def gas_mass(pressure: float, temperature: float, volume: float) -> float:
    """Mass in kg of nitrogen at a pressure in Pa and a temperature in K in a tank of `volume` m³: m = pV/(RT)."""
    return pressure * volume / (NITROGEN_GAS_CONSTANT * temperature)


def gas_pressure(mass: float, temperature: float, volume: float) -> float:
    """Pressure in Pa of `mass` kg of nitrogen at a temperature in K in a tank of `volume` m³: p = mRT/V."""
    return mass * NITROGEN_GAS_CONSTANT * temperature / volume
