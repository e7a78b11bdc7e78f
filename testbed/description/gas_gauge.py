"""How much gas is in a tank, from its pressure and temperature over time: a gauge that also works over liquid.

Of one phase, pressure and temperature tell the density. While there is liquid they do not, as its vapour pressure
follows its temperature alone; then the heat balance tells: what has boiled off took its enthalpy along and cooled the
rest, less the heat that came in. This needs what the description says of the wall, the heat leak and the filling at the
start. An error of the thermometer does not add up; one of the heat leak does.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.gas_supply import GasSupply
from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.layout import PRESSURE
from testbed.description.gas_tables.state import gas_density, gas_state, saturation
from testbed.description.messages import NS_PER_S

VAPOUR_ONLY: Final = 0.999
"""Below this share of the vapour pressure there is no liquid."""
ITERATIONS: Final = 20

GAUGE: Final = np.dtype(
    [
        ("volume", "f8"),
        ("wall_heat_capacity", "f8"),
        ("heat_leak", "f8"),
        ("ambient_temperature", "f8"),
        # the latest sample
        ("stamp", "i8"),
        ("temperature", "f8"),
        ("mass", "f8"),
    ],
    align=True,
)


class TankGauge:
    """Takes in samples of one tank, oldest first; the first one is of the filling that the description tells."""

    def __init__(self, supply: GasSupply) -> None:
        self._table = gas_table(supply.kind)
        self._gauge = np.zeros(1, GAUGE)
        one = self._gauge[0]
        one["volume"], one["wall_heat_capacity"] = supply.volume, supply.wall_heat_capacity
        one["heat_leak"], one["ambient_temperature"] = supply.heat_leak, supply.ambient_temperature
        one["mass"] = supply.start_mass()

    @property
    def state(self) -> np.void:
        """The GAUGE record as it is now."""
        return self._gauge[0]

    @state.setter
    def state(self, gauge: np.void) -> None:
        self._gauge[0] = gauge

    def weigh(
        self, stamps: NDArray[np.int64], pressures: NDArray[np.float64], temperatures: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Mass of gas in kg after each sample; stamps ns, Pa, K, all of shape (n,)."""
        return np.asarray(_weigh(self._table, self._gauge, stamps, pressures, temperatures))

    def weigh_one(self, stamp: int, pressure: float, temperature: float) -> float:
        """Mass of gas in kg after one sample."""
        return float(self.weigh(np.array([stamp]), np.array([pressure]), np.array([temperature]))[0])


@njit(cache=True)
def _weigh(table: Any, gauge: Any, stamps: Any, pressures: Any, temperatures: Any) -> NDArray[np.float64]:
    masses = np.empty(len(stamps))
    for k in range(len(stamps)):
        take_sample(table[0], gauge[0], stamps[k], pressures[k], temperatures[k])
        masses[k] = gauge[0].mass
    return masses


@njit(cache=True)
def take_sample(table: Any, gauge: Any, stamp: int, pressure: float, temperature: float) -> None:
    """Bring the gauge to one sample; one that the table does not know leaves the mass as it was."""
    if not table.coldest <= temperature <= table.hottest:
        return
    if temperature < table.critical_temperature and pressure > VAPOUR_ONLY * saturation(table, temperature)[PRESSURE]:
        if gauge.stamp > 0:
            _balance(table, gauge, (stamp - gauge.stamp) / NS_PER_S, temperature)
    else:
        density = gas_density(table, temperature, pressure)
        if not math.isnan(density):
            gauge.mass = density * gauge.volume
    gauge.stamp, gauge.temperature = stamp, temperature


@njit(cache=True)
def _balance(table: Any, gauge: Any, seconds: float, temperature: float) -> None:
    """Find the mass with which energy before, plus heat, less enthalpy of what left, is energy after.

    Between a given temperature's saturated states energy is linear in mass, so that Newton's first step arrives.
    """
    before = gas_state(table, gauge.temperature, gauge.mass / gauge.volume)
    mean = 0.5 * (gauge.temperature + temperature)
    energy = gauge.mass * before.energy + gauge.heat_leak * seconds * (gauge.ambient_temperature - mean)
    energy += gauge.wall_heat_capacity * (gauge.temperature - temperature)
    low, high = 0.0, 2.0 * gauge.mass
    mass = gauge.mass
    for _ in range(ITERATIONS):
        after = gas_state(table, temperature, mass / gauge.volume)
        leaving = 0.5 * (before.enthalpy + after.enthalpy)
        missing = mass * after.energy + (gauge.mass - mass) * leaving - energy
        # d(mass·energy)/d(mass) of two phases is (u·v' - u'·v)/(v' - v); by a small difference it serves both
        step = 1e-6 * mass + 1e-12
        beyond = gas_state(table, temperature, (mass + step) / gauge.volume)
        slope = ((mass + step) * beyond.energy - mass * after.energy) / step - leaving
        if slope == 0.0:
            break
        change = min(max(mass - missing / slope, low), high) - mass
        mass += change
        if abs(change) < 1e-12:
            break
    gauge.mass = mass
