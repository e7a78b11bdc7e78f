"""The air that sound travels through."""

from __future__ import annotations

import math

from numba import njit


@njit(cache=True)
def speed_of_sound(temperature: float) -> float:
    """Speed of sound in dry air, m/s, at a temperature in K: 343.2·sqrt(T/293.15), ISO 9613-1:1993."""
    return 343.2 * math.sqrt(temperature / 293.15)


def kelvin(celsius: float) -> float:
    """Kelvin from degrees Celsius, as a Temperature message carries them."""
    return celsius + 273.15


def celsius(kelvin: float) -> float:
    """Degrees Celsius from kelvin."""
    return kelvin - 273.15
