"""Speed of sound in air against ISO 9613-1, tables and the gas law.

ISO 9613-1:1993: 343.2·sqrt(T/293.15) m/s. CoolProp's reference equation for dry air (Lemmon et al. 2000) where it is
installed. Humidity raises the speed by up to 0.4 % at 20 °C (Cramer, JASA 93, 1993; from memory): the formula leaves
that out.
"""

import math

import pytest
from scipy.constants import R

from testbed.description.air import speed_of_sound


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
