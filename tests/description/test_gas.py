"""Mass of gas in a tank."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.gas import gas_mass, gas_pressure


def test_half_a_litre_at_200_bar_holds_about_115_grams():
    """By hand: 20e6 Pa · 0.5e-3 m³ / (296.8 J/(kg·K) · 293.15 K)."""
    assert gas_mass(20e6, 293.15, 0.5e-3) == pytest.approx(0.11493, abs=1e-5)


@given(st.floats(1e3, 4e7), st.floats(250.0, 330.0), st.floats(1e-5, 0.1))
def test_pressure_and_mass_are_each_others_inverse(pressure, temperature, volume):
    assert gas_pressure(gas_mass(pressure, temperature, volume), temperature, volume) == pytest.approx(pressure)
