"""Specific impulse, thrust coefficient and back pressure against the ideal nozzle.

Isentropic flow of an ideal gas, as in Sutton and Biblarz, Rocket Propulsion Elements (equations for c*, C_F and the
pressure ratio from memory), and of the real gas by CoolProp.
"""

import math
from pathlib import Path

import pytest
from scipy.constants import R, atm, g
from scipy.optimize import brentq

from testbed.description.gas_supply import GasSupply
from testbed.description.load import load
from testbed.description.vehicle import Vehicle

CONFIG = Path(__file__).resolve().parents[2] / "config" / "vehicles"
VEHICLES = [load(path, Vehicle).description for path in sorted(CONFIG.glob("*.yaml"))]
GASES = {"nitrogen": (1.40, 0.0280134), "air": (1.40, 0.0289647), "carbon_dioxide": (1.29, 0.0440098)}
"""Ratio of specific heats near room temperature and molar mass in kg/mol (from memory)."""


def exit_pressure_ratio(area_ratio, gamma):
    """Exit over chamber pressure of a nozzle with supersonic exit."""

    def ratio(exit_pressure):
        choked = ((gamma + 1) / 2) ** (1 / (gamma - 1)) * exit_pressure ** (1 / gamma)
        return 1 / (choked * math.sqrt((gamma + 1) / (gamma - 1) * (1 - exit_pressure ** ((gamma - 1) / gamma))))

    critical = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    return brentq(lambda p: ratio(p) - area_ratio, 1e-9, critical * (1 - 1e-9))


def vacuum_thrust_coefficient(area_ratio, gamma):
    ratio = exit_pressure_ratio(area_ratio, gamma)
    momentum = 2 * gamma**2 / (gamma - 1) * (2 / (gamma + 1)) ** ((gamma + 1) / (gamma - 1))
    return math.sqrt(momentum * (1 - ratio ** ((gamma - 1) / gamma))) + ratio * area_ratio


def vacuum_specific_impulse(area_ratio, kind, temperature=293.15):
    gamma, molar = GASES[kind]
    speed = math.sqrt(gamma * R / molar * temperature)
    characteristic = speed / gamma * ((gamma + 1) / 2) ** ((gamma + 1) / (2 * (gamma - 1)))
    return vacuum_thrust_coefficient(area_ratio, gamma) * characteristic / g


def test_the_ideal_nozzle_is_that_of_the_textbook():
    """For gamma 1.4: sonic pressure ratio 0.528; at Mach 2 an area ratio of 1.6875 and 0.1278 (Sutton, from memory)."""
    assert exit_pressure_ratio(1.6875, 1.4) == pytest.approx(0.1278, rel=1e-3)
    assert pytest.approx(0.528, abs=5e-4) == (2 / 2.4) ** 3.5


def test_nitrogen_reaches_what_cold_gas_tables_say():
    """Sutton and Biblarz, table of cold gases: nitrogen about 76 to 80 s in theory at high area ratio (from memory)."""
    assert 74.0 < vacuum_specific_impulse(50.0, "nitrogen") < 80.0


@pytest.mark.parametrize("vehicle", VEHICLES, ids=lambda vehicle: vehicle.name)
def test_the_specific_impulse_assumed_is_within_reach_of_a_small_nozzle(vehicle):
    """Between 80 and 100 % of the ideal vacuum value at an area ratio of 1.5 to 4: short nozzles, boundary layers."""
    gas = vehicle.gas
    assert gas.specific_impulse < vacuum_specific_impulse(4.0, gas.kind)
    assert gas.specific_impulse > 0.80 * vacuum_specific_impulse(1.5, gas.kind)


def test_the_real_gas_gives_the_same_within_two_percent():
    """Isentropic expansion by CoolProp from the plenum's 0.6 MPa to the exit of a nozzle of area ratio 4."""
    properties = pytest.importorskip("CoolProp.CoolProp")
    chamber, temperature, fluid = 0.6e6, 293.15, "Nitrogen"
    entropy = properties.PropsSI("S", "T", temperature, "P", chamber, fluid)
    enthalpy = properties.PropsSI("H", "T", temperature, "P", chamber, fluid)

    def flux(pressure):
        """Density, speed and mass flow per area after expansion to a pressure."""
        density = properties.PropsSI("D", "S", entropy, "P", pressure, fluid)
        speed = math.sqrt(2 * (enthalpy - properties.PropsSI("H", "S", entropy, "P", pressure, fluid)))
        return speed, density * speed

    throat = max(flux(chamber * (0.45 + 0.001 * k))[1] for k in range(150))
    exit_pressure = brentq(lambda p: throat / flux(p)[1] - 4.0, 0.01 * chamber, 0.3 * chamber)
    speed, through = flux(exit_pressure)
    assert (speed + exit_pressure / through) / g == pytest.approx(vacuum_specific_impulse(4.0, "nitrogen"), rel=0.02)


def test_the_back_pressure_assumed_is_that_of_a_nozzle_made_for_room_air():
    """Thrust is C_F·A_t·p - p_a·A_e: it vanishes at p = p_a·(A_e/A_t)/C_F, 0.1 MPa at an area ratio of about 1.5.

    That nozzle's exit pressure at 0.6 MPa is near one atmosphere, so that the flow fills it.
    """
    back = atm * 1.5 / vacuum_thrust_coefficient(1.5, 1.4)
    assert GasSupply.model_fields["back_pressure"].default == pytest.approx(back, rel=0.1)
    assert 0.6e6 * exit_pressure_ratio(1.5, 1.4) == pytest.approx(atm, rel=0.15)
