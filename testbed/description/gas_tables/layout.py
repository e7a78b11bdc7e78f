"""What a table of gas properties holds, as one record that kernels read."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

TEMPERATURE_NODES: Final = 48
DENSITY_NODES: Final = 48
SATURATION_NODES: Final = 64

COMPRESSIBILITY, ENERGY = 0, 1
"""Last index of `single_phase`: p/(ρRT), and specific internal energy in J/kg."""
PRESSURE, LIQUID_DENSITY, VAPOUR_DENSITY, LIQUID_ENERGY, VAPOUR_ENERGY = range(5)
"""Columns of `saturation`: Pa, kg/m³ and J/kg."""

GAS_TABLE: Final = np.dtype(
    [
        ("gas_constant", "f8"),  # J/(kg·K)
        ("coldest", "f8"),  # K; the triple point where the gas can condense
        ("hottest", "f8"),
        ("densest", "f8"),  # kg/m³
        ("critical_temperature", "f8"),  # K; 0 where nothing condenses in the table
        # one phase, at evenly spaced temperatures (coldest to hottest) and densities (0 to densest)
        ("single_phase", "f8", (TEMPERATURE_NODES, DENSITY_NODES, 2)),
        # both phases, evenly spaced in (1 - T/critical)^(1/3) from the critical point to the triple point: along that
        # variable the densities, whose slopes over temperature are infinite at the critical point, are nearly straight
        ("saturation", "f8", (SATURATION_NODES, 5)),
    ],
    align=True,
)


def saturation_temperatures(table: np.void) -> NDArray[np.float64]:
    """Temperatures of the rows of `saturation`, K, from the critical point down."""
    deepest = (1.0 - table["coldest"] / table["critical_temperature"]) ** (1.0 / 3.0)
    below = np.linspace(0.0, deepest, SATURATION_NODES)
    return np.asarray(table["critical_temperature"] * (1.0 - below**3))
