"""How far the gas in a tank goes: seconds of full thrust, Δv, and runs."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.gas_supply import GasSupply
from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.layout import VAPOUR_DENSITY
from testbed.description.gas_tables.state import gas_density, gas_state, saturation
from testbed.description.vehicle import Vehicle

COOLING_STEP: Final = 0.5
"""K; steps in which a tank of liquid is cooled down to its triple point."""


@dataclass(frozen=True)
class Outlook:
    """What is left; see `outlook` for what each figure takes for granted."""

    usable_g: float
    full_thrust: float
    """s."""
    delta_v: float
    """m/s."""
    runs: int | None

    def as_data(self) -> dict[str, float | int | None]:
        """Plain values, rounded to what they are worth."""
        return {
            "usable_g": round(self.usable_g, 2),
            "full_thrust": round(self.full_thrust, 2),
            "delta_v": round(self.delta_v, 2),
            "runs": self.runs,
        }

    def __str__(self) -> str:
        text = f"{self.usable_g:.1f} g usable: {self.full_thrust:.0f} s with all valves open, Δv {self.delta_v:.1f} m/s"
        return text if self.runs is None else f"{text}, at most {self.runs} run{'' if self.runs == 1 else 's'}"


class Prospect:
    """Works out the outlook of one vehicle's tank; what does not change is reckoned once."""

    def __init__(self, vehicle: Vehicle, place: Literal["table", "cabin"]) -> None:
        self._gas = vehicle.gas
        self._at_reserve = _at_reserve(vehicle.gas)
        self._full_flow = full_flow(vehicle)
        self._mass = vehicle.mass_properties(place).mass

    def outlook(self, mass: float, temperature: float, per_run: float) -> Outlook:
        """See `outlook`."""
        gas = self._gas
        usable = max(0.0, mass - self._at_reserve)
        at_once = min(usable, mass - _left_at_freezing(gas, mass, temperature))
        return Outlook(
            usable_g=1e3 * usable,
            full_thrust=at_once / self._full_flow,
            delta_v=gas.specific_impulse * STANDARD_GRAVITY * usable / self._mass,
            runs=math.floor(usable / per_run) if per_run > 0.0 and math.isfinite(per_run) else None,
        )


def outlook(
    vehicle: Vehicle, place: Literal["table", "cabin"], mass: float, temperature: float, per_run: float
) -> Outlook:
    """How far `mass` kg in the tank at `temperature` K go; `per_run`: kg that one run takes, 0 if not known.

    - Usable: down to the reserve pressure, the tank given time to become as warm as the surroundings.
    - Full thrust: all valves in service open at once until the usable gas is gone, the regulator drooping. Of liquid
      carbon dioxide at most what boils off until it freezes, no heat coming in from outside.
    - Δv: all usable gas expelled in one direction at the specific impulse: Isp·g·m/M, linear as in the plant, which
      keeps the mass of a vehicle constant (gas is at most a few percent of it).
    - Runs: whole ones that take `per_run` each; None where that is not known.
    """
    return Prospect(vehicle, place).outlook(mass, temperature, per_run)


def full_flow(vehicle: Vehicle) -> float:
    """Flow with all valves in service steadily open, kg/s, as their droop leaves it (parameter of the regulator)."""
    gas, thrusters = vehicle.gas, vehicle.thrusters
    flows = [valve.thrust / (gas.specific_impulse * STANDARD_GRAVITY) for valve in thrusters.valves if valve.in_service]
    if not flows:
        return math.inf
    droop = thrusters.maximum_sag * (1.0 - gas.back_pressure / gas.regulator.pressure)
    if droop == 0.0:
        return sum(flows)
    stiffness = (3.0 - 4.0 * droop) / droop  # conductance over the flow of one valve, as in model.gas_supply
    return sum(flows) * (stiffness + 1.0) / (stiffness + len(flows))


def _at_reserve(gas: GasSupply) -> float:
    """Mass left in the tank at the reserve pressure, as warm as the surroundings, kg."""
    table = gas_table(gas.kind)[0]
    density = float(gas_density(table, gas.ambient_temperature, gas.reserve_pressure))
    if math.isnan(density):  # surroundings so cold that liquid is left at the reserve: all vapour is the least there is
        density = float(saturation(table, gas.ambient_temperature)[VAPOUR_DENSITY])
    return density * gas.volume


def cooled_to(gas: GasSupply, mass: float, temperature: float, used: float) -> float:
    """Temperature in K to which a tank with `mass` kg cools when `used` kg boil off and no heat comes in.

    The triple point at least; of compressed gas, the temperature at which it is: its wall keeps it warm.
    """
    coldest = temperature
    for colder, left in _boil_down(gas, mass, temperature):
        if left < mass - used:
            break
        coldest = colder
    return coldest


def _left_at_freezing(gas: GasSupply, mass: float, temperature: float) -> float:
    """Mass left when boiling has cooled tank and liquid to the triple point; 0 where there is none to freeze."""
    left, coldest = 0.0, float(gas_table(gas.kind)[0]["coldest"])
    for colder, still_there in _boil_down(gas, mass, temperature):
        left = still_there if colder <= coldest + 1e-6 else 0.0
    return left


def _boil_down(gas: GasSupply, mass: float, temperature: float) -> Iterator[tuple[float, float]]:
    """Temperatures K and the mass kg left at each, as vapour leaves down to the triple point or the end of the liquid.

    By dE = h·dm: each step of temperature takes the energy that what leaves carries away.
    """
    table = gas_table(gas.kind)[0]
    coldest = float(table["coldest"])
    if temperature >= float(table["critical_temperature"]):
        return
    left = mass
    steps = max(1, math.ceil((temperature - coldest) / COOLING_STEP))
    fall = (temperature - coldest) / steps
    for step in range(steps):
        middle = temperature - (step + 0.5) * fall
        found = gas_state(table, middle, left / gas.volume)
        if found.liquid == 0.0:
            return
        # at this temperature, mass·energy falls by this much per kg that leaves as vapour
        less = left - 1e-6 * mass
        per_mass = (left * found.energy - less * gas_state(table, middle, less / gas.volume).energy) / (left - less)
        heat = (left * found.energy_slope + gas.wall_heat_capacity) * fall
        left -= heat / (found.enthalpy - per_mass)
        if left <= 0.0:
            return
        yield temperature - (step + 1) * fall, left
