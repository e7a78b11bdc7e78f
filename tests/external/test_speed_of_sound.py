"""Speed of sound in air against ISO 9613-1, tables and the gas law.

ISO 9613-1:1993: 343.2·sqrt(T/293.15) m/s. CoolProp's reference equation for dry air (Lemmon et al. 2000) where it is
installed. Humid air: the interpolating equation of Cramer, "The variation of the specific heat ratio and the speed of
sound in air with temperature, pressure, humidity, and CO2 concentration", JASA 93 (1993), coefficients from memory.
"""

import math

import pytest
from scipy.constants import R

from testbed.description.air import STANDARD_PRESSURE, saturation_pressure, speed_of_sound


@pytest.mark.parametrize("temperature", [263.15, 273.15, 293.15, 294.15, 323.15])
def test_the_speed_is_that_of_iso_9613(temperature):
    assert speed_of_sound(temperature) == pytest.approx(343.2 * math.sqrt(temperature / 293.15), rel=1e-15)


@pytest.mark.parametrize(
    ("celsius", "tabulated"), [(-10.0, 325.2), (0.0, 331.3), (10.0, 337.3), (20.0, 343.2), (30.0, 349.0)]
)
def test_the_speed_agrees_with_common_tables_of_dry_air(celsius, tabulated):
    """Rounded values for dry air at one atmosphere, as in handbooks of acoustics (from memory)."""
    assert speed_of_sound(celsius + 273.15) == pytest.approx(tabulated, abs=0.2)


def test_the_speed_agrees_with_an_ideal_gas_of_airs_molar_mass():
    """sqrt(gamma·R·T/M) with gamma = 1.4 and M = 28.965 g/mol (dry air, from memory)."""
    for temperature in (270.0, 294.15, 320.0):
        ideal = math.sqrt(1.4 * R * temperature / 0.028965)
        assert speed_of_sound(temperature) == pytest.approx(ideal, rel=5e-4)


def test_the_speed_agrees_with_coolprop():
    properties = pytest.importorskip("CoolProp.CoolProp")
    for temperature in (270.0, 283.15, 294.15, 305.0):
        reference = properties.PropsSI("A", "T", temperature, "P", 101325.0, "Air")
        assert speed_of_sound(temperature) == pytest.approx(reference, rel=1e-3)


def test_half_a_kelvin_is_a_millimetre_per_metre():
    """What an error of the thermometer costs: dc/c = dT/(2T)."""
    change = speed_of_sound(294.65) / speed_of_sound(294.15) - 1.0
    assert change == pytest.approx(0.5 / (2.0 * 294.15), rel=1e-3)


def cramer(celsius, vapour, pressure=101_325.0, carbon_dioxide=0.0004):
    """Speed of sound, m/s; vapour and carbon dioxide as mole fractions. Valid from 0 to 30 °C."""
    t, w, c = celsius, vapour, carbon_dioxide
    speed = 331.5024 + 0.603055 * t - 0.000528 * t**2
    speed += (51.471935 + 0.1495874 * t - 0.000782 * t**2) * w
    speed += (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * pressure
    speed += (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * c
    return speed - 2.835149 * w**2 - 2.15e-13 * pressure**2 + 29.179762 * c**2 + 0.000486 * w * pressure * c


@pytest.mark.parametrize("humidity", [0.0, 0.25, 0.5, 1.0])
@pytest.mark.parametrize("celsius", [0.0, 10.0, 21.0, 30.0])
def test_humid_air_agrees_with_cramer(celsius, humidity):
    """The rise over dry air, to 0.02 % of the speed; the speed itself, to what ISO's formula for dry air is away."""
    vapour = humidity * saturation_pressure(celsius + 273.15) / STANDARD_PRESSURE
    rise = speed_of_sound(celsius + 273.15, humidity) / speed_of_sound(celsius + 273.15)
    assert rise == pytest.approx(cramer(celsius, vapour) / cramer(celsius, 0.0), abs=2e-4)
    assert speed_of_sound(celsius + 273.15, humidity) == pytest.approx(cramer(celsius, vapour), rel=8e-4)


def test_humidity_raises_the_speed_by_up_to_four_tenths_of_a_per_cent_at_20_degrees():
    """As summaries of Cramer's paper say (from memory)."""
    rise = speed_of_sound(293.15, 1.0) / speed_of_sound(293.15) - 1.0
    assert 0.0035 < rise < 0.0040


@pytest.mark.parametrize(("celsius", "pascal"), [(0.0, 611.2), (10.0, 1228.2), (20.0, 2338.8), (30.0, 4245.5)])
def test_saturated_vapour_has_the_tabulated_pressure(celsius, pascal):
    """Steam tables (IAPWS; from memory)."""
    assert saturation_pressure(celsius + 273.15) == pytest.approx(pascal, rel=3e-3)


def test_saturated_vapour_agrees_with_coolprop():
    properties = pytest.importorskip("CoolProp.CoolProp")
    for temperature in (275.0, 285.0, 294.15, 305.0):
        reference = properties.PropsSI("P", "T", temperature, "Q", 1, "Water")
        assert saturation_pressure(temperature) == pytest.approx(reference, rel=4e-3)
