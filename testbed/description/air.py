"""The air that sound travels through."""

from __future__ import annotations

import math
from typing import Final

from numba import njit

STANDARD_PRESSURE: Final = 101_325.0
"""Pressure of the air in the room, Pa; it only decides how much vapour a relative humidity stands for."""
VAPOUR_MASS_RATIO: Final = 18.015 / 28.965
"""Molar mass of water over that of dry air (from memory)."""
VAPOUR_HEAT: Final = 4.04
"""Molar heat capacity of water vapour at constant pressure over the gas constant, near 20 °C (from memory)."""


@njit(cache=True)
def speed_of_sound(temperature: float, humidity: float = 0.0) -> float:
    """Speed of sound in air, m/s, at a temperature in K and a relative humidity from 0 to 1.

    Dry air: 343.2·sqrt(T/293.15), ISO 9613-1:1993. Vapour makes air lighter and its heat capacities' ratio smaller:
    ideal-gas mixture by mole fraction, within 0.02 % of Cramer, JASA 93 (1993) from 0 to 30 °C
    (tests/external/test_speed_of_sound.py).
    """
    dry = 343.2 * math.sqrt(temperature / 293.15)
    if humidity == 0.0:
        return dry
    vapour = humidity * saturation_pressure(temperature) / STANDARD_PRESSURE
    mass = 1.0 - vapour * (1.0 - VAPOUR_MASS_RATIO)
    heat = 3.5 + vapour * (VAPOUR_HEAT - 3.5)
    return dry * math.sqrt(heat / (heat - 1.0) / 1.4 / mass)


@njit(cache=True)
def saturation_pressure(temperature: float) -> float:
    """Pressure of saturated water vapour over water, Pa, at a temperature in K: Magnus formula, WMO-No. 8."""
    celsius = temperature - 273.15
    return 611.2 * math.exp(17.62 * celsius / (243.12 + celsius))


def kelvin(celsius: float) -> float:
    """Kelvin from degrees Celsius, as a Temperature message carries them."""
    return celsius + 273.15


def celsius(kelvin: float) -> float:
    """Degrees Celsius from kelvin."""
    return kelvin - 273.15
