"""What a vehicle's gas supply is: tank, relief valve, regulator, plenum, and the nozzle's figures in common."""

from __future__ import annotations

from typing import Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import Field, model_validator

from testbed.description.gas_tables import GasKind, gas_table
from testbed.description.gas_tables.layout import LIQUID_DENSITY
from testbed.description.gas_tables.state import gas_densities, gas_density, gas_state, saturation
from testbed.description.model import Description, Inconsistent

DENSEST_FILL: Final = 750.0
"""Most carbon dioxide per volume of tank, kg/m³: common practice for cylinders in temperate places (from memory).

A tank filled like this is full of liquid at about 22 °C, and when it gets warmer its relief valve must open."""


class Relief(Description):
    """Relief valve of the tank: opens at a pressure and closes at a lower one; its jet pushes nowhere."""

    pressure: float = Field(gt=0.0, le=60e6, description="Tank pressure at which it opens, Pa")
    reseat: float = Field(gt=0.0, description="Tank pressure at which it closes again, Pa")
    flow: float = Field(default=2e-3, gt=0.0, le=1.0, description="What it lets out at the opening pressure, kg/s")

    @model_validator(mode="after")
    def _closes_below(self) -> Self:
        if self.reseat >= self.pressure:
            raise Inconsistent(f"less than pressure, {self.pressure:g} Pa", "reseat")
        return self


class Regulator(Description):
    """Pressure regulator between tank and plenum; its droop is `thrusters.maximum_sag`."""

    pressure: float = Field(
        default=0.6e6, gt=0.0, le=10e6, description="Plenum with one valve steadily open, tank full, Pa"
    )
    supply_effect: float = Field(
        default=0.002, ge=-0.05, le=0.05, description="Rise of outlet pressure per fall of tank pressure, Pa/Pa"
    )


class GasSupply(Description):
    """Compressed nitrogen or air, or liquefied carbon dioxide, and the specific impulse that turns thrust into flow.

    Tank wall and contents share one temperature. Of two phases, vapour leaves. All gases displace oxygen.
    """

    kind: GasKind = Field(default="nitrogen", description="nitrogen and air: compressed; carbon_dioxide: liquefied")
    volume: float = Field(gt=0.0, le=0.1, description="Tank volume, m³")
    pressure: float | None = Field(
        default=None, gt=0.0, le=40e6, description="Tank pressure at the start of a session, Pa; not of carbon_dioxide"
    )
    mass: float | None = Field(
        default=None, gt=0.0, le=50.0, description="Carbon dioxide in the tank at the start of a session, kg"
    )
    temperature: float = Field(default=293.15, ge=250.0, le=330.0, description="Tank temperature at the start, K")
    reserve_pressure: float = Field(
        default=2.0e6, gt=0.0, description="Below it the gas no longer counts as usable, Pa"
    )
    specific_impulse: float = Field(default=65.0, gt=0.0, le=300.0, description="Specific impulse, s")
    ambient_temperature: float = Field(default=293.15, ge=250.0, le=330.0, description="What warms the tank, K")
    warning_temperature: float = Field(
        default=270.0, ge=0.0, le=330.0, description="Tank temperature below which the conductor warns, K"
    )
    heat_leak: float = Field(default=0.5, ge=0.0, le=100.0, description="Heat from the surroundings per kelvin, W/K")
    wall_heat_capacity: float = Field(default=400.0, ge=0.0, description="Heat that the tank's wall takes, J/K")
    relief: Relief | None = Field(default=None, description="Relief valve of the tank; without it there is none")
    regulator: Regulator = Regulator()
    plenum_volume: float = Field(default=20e-6, gt=0.0, le=0.01, description="Between regulator and valves, m³")
    back_pressure: float = Field(
        default=0.1e6, ge=0.0, description="Plenum pressure at which thrust would vanish in the surrounding air, Pa"
    )

    def filling(self) -> tuple[str, float | None]:
        """Key and value that tell how much gas there is at the start."""
        return ("mass", self.mass) if self.kind == "carbon_dioxide" else ("pressure", self.pressure)

    def start_mass(self) -> float:
        """Mass of gas in the tank at the start of a session, kg."""
        if self.mass is not None:
            return self.mass
        return self.volume * float(gas_density(gas_table(self.kind)[0], self.temperature, self.pressure))

    def start_pressure(self) -> float:
        """Tank pressure at the start of a session, Pa."""
        if self.pressure is not None:
            return self.pressure
        return float(gas_state(gas_table(self.kind)[0], self.temperature, self.start_mass() / self.volume).pressure)

    def usable_mass(self) -> float:
        """Mass of gas in kg down to the reserve pressure, the tank at its temperature of the start."""
        left = gas_density(gas_table(self.kind)[0], self.temperature, self.reserve_pressure)
        return self.start_mass() - self.volume * float(left)

    def mass_at(self, pressure: ArrayLike, temperature: ArrayLike) -> NDArray[np.float64]:
        """Mass of gas in kg in the tank at pressures in Pa and temperatures in K, in the shape of both.

        NaN where these do not tell: while there is liquid in the tank, its pressure follows its temperature alone.
        """
        pressures, temperatures = np.broadcast_arrays(
            np.asarray(pressure, np.float64), np.asarray(temperature, np.float64)
        )
        densities = gas_densities(gas_table(self.kind)[0], temperatures.ravel(), pressures.ravel())
        return np.asarray(self.volume * densities.reshape(pressures.shape))

    def _filled_as_its_kind(self) -> None:
        table = gas_table(self.kind)[0]
        if self.kind == "carbon_dioxide":
            if self.pressure is not None:
                raise Inconsistent("no such key for carbon_dioxide, which is filled by mass", "pressure")
            if self.mass is None:
                raise Inconsistent("a number (kg of carbon dioxide in the tank)", "mass")
            critical = float(table["critical_temperature"])
            if self.temperature >= critical:
                raise Inconsistent(f"less than {critical:.1f} K, above which nothing is liquid", "temperature")
            most = min(DENSEST_FILL, float(saturation(table, self.temperature)[LIQUID_DENSITY]))
            if self.mass >= most * self.volume:
                raise Inconsistent(f"less than {most * self.volume:.4g} kg, {most:.0f} kg per m³ of volume", "mass")
            return
        if self.mass is not None:
            raise Inconsistent(f"no such key for {self.kind}, which is filled by pressure", "mass")
        if self.pressure is None:
            raise Inconsistent("a number (Tank pressure at the start of a session, Pa)", "pressure")

    @model_validator(mode="after")
    def _holds_together(self) -> Self:
        self._filled_as_its_kind()
        start = self.start_pressure()
        initial = "pressure" if self.pressure is not None else "the pressure at the start"
        if self.reserve_pressure >= start:
            raise Inconsistent(f"less than {initial}, {start:g} Pa", "reserve_pressure")
        if self.regulator.pressure >= start:
            raise Inconsistent(f"less than {initial}, {start:g} Pa", "regulator", "pressure")
        if self.back_pressure >= self.regulator.pressure:
            raise Inconsistent(f"less than regulator.pressure, {self.regulator.pressure:g} Pa", "back_pressure")
        if self.plenum_volume > self.volume / 5.0:
            raise Inconsistent(f"at most a fifth of volume, {self.volume / 5.0:g} m³", "plenum_volume")
        if self.relief is not None and self.relief.pressure <= start:
            raise Inconsistent(f"more than the pressure at the start, {start:g} Pa", "relief", "pressure")
        return self
