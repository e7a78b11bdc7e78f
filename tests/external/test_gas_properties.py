"""The tables of gas properties against the equations that they were made from, at places between their nodes.

CoolProp evaluates Span and Wagner 1996 for carbon dioxide, Span et al. 2000 for nitrogen and Lemmon et al. 2000 for
air. Where CoolProp is not installed, tabulated values from memory remain.
"""

import numpy as np
import pytest

from testbed.description.gas_supply import GasSupply
from testbed.description.gas_tables import gas_table
from testbed.description.gas_tables.layout import LIQUID_DENSITY, PRESSURE, VAPOUR_DENSITY
from testbed.description.gas_tables.state import gas_density, gas_state, saturation

FLUIDS = {"nitrogen": "Nitrogen", "air": "Air", "carbon_dioxide": "CarbonDioxide"}
TRIPLE, CRITICAL = 216.592, 304.1282  # K, carbon dioxide


@pytest.fixture
def properties():
    return pytest.importorskip("CoolProp.CoolProp")


def states(kind, count=400):
    """Temperatures K and densities kg/m³ spread over the whole table, not on its nodes."""
    one = gas_table(kind)[0]
    rng = np.random.default_rng(7)
    temperatures = rng.uniform(one["coldest"] + 0.01, one["hottest"], count)
    densities = rng.uniform(0.5, 0.95 * one["densest"], count) * rng.uniform(0.01, 1.0, count)
    return zip(temperatures, densities, strict=True)


@pytest.mark.parametrize("kind", ["nitrogen", "air"])
def test_compressed_gas_agrees_everywhere(kind, properties):
    fluid = properties.AbstractState("HEOS", FLUIDS[kind])
    fluid.specify_phase(properties.iphase_gas)
    for temperature, density in states(kind):
        found = gas_state(gas_table(kind)[0], temperature, density)
        fluid.update(properties.DmassT_INPUTS, density, temperature)
        assert found.pressure == pytest.approx(fluid.p(), rel=2e-4)
        assert found.energy == pytest.approx(fluid.umass(), abs=50.0)
        assert found.enthalpy == pytest.approx(fluid.hmass(), abs=50.0)
        assert found.energy_slope == pytest.approx(fluid.cvmass(), rel=5e-3)


def test_carbon_dioxide_agrees_in_one_phase_and_in_two(properties):
    """Pressure within a thousandth, a fifth of what is allowed; energies within 0.03 % of the heat of vaporisation."""
    fluid = properties.AbstractState("HEOS", "CarbonDioxide")
    two_phase = 0
    for temperature, density in states("carbon_dioxide", 1500):
        fluid.update(properties.DmassT_INPUTS, density, temperature)
        found = gas_state(gas_table("carbon_dioxide")[0], temperature, density)
        assert found.pressure == pytest.approx(fluid.p(), rel=1e-3), (temperature, density)
        assert found.energy == pytest.approx(fluid.umass(), abs=100.0), (temperature, density)
        if fluid.phase() == properties.iphase_twophase:
            two_phase += 1
            assert 1.0 - found.liquid == pytest.approx(fluid.Q(), abs=1e-3)
            vapour = properties.PropsSI("H", "T", temperature, "Q", 1.0, "CarbonDioxide")
            assert found.enthalpy == pytest.approx(vapour, abs=100.0)
        else:
            assert found.enthalpy == pytest.approx(fluid.hmass(), abs=150.0), (temperature, density)
    assert two_phase > 300


def test_the_saturation_line_agrees_from_the_triple_point_to_the_critical_point(properties):
    table = gas_table("carbon_dioxide")[0]
    for temperature in np.linspace(TRIPLE + 0.001, CRITICAL - 0.01, 97):
        found = saturation(table, temperature)
        for column, name, quality, allowed in (
            (PRESSURE, "P", 0.0, 1e-5),
            (LIQUID_DENSITY, "D", 0.0, 1e-4),
            (VAPOUR_DENSITY, "D", 1.0, 1e-4),
        ):
            reference = properties.PropsSI(name, "T", temperature, "Q", quality, "CarbonDioxide")
            assert found[column] == pytest.approx(reference, rel=allowed), (temperature, name)


def test_the_ends_of_the_saturation_line_are_those_of_the_literature():
    """Triple point 216.592 K, 0.51795 MPa; critical 304.1282 K, 7.3773 MPa, 467.6 kg/m³ (Span and Wagner 1996)."""
    table = gas_table("carbon_dioxide")[0]
    assert table["coldest"] == pytest.approx(TRIPLE, abs=1e-9)
    assert table["critical_temperature"] == pytest.approx(CRITICAL, abs=1e-6)
    assert table["saturation"][-1, PRESSURE] == pytest.approx(0.51795e6, rel=1e-4)
    assert table["saturation"][0, PRESSURE] == pytest.approx(7.3773e6, rel=1e-5)
    assert table["saturation"][0, LIQUID_DENSITY] == pytest.approx(467.6, rel=1e-6)


@pytest.mark.parametrize(
    ("celsius", "bar"), [(-50, 6.82), (-40, 10.05), (-20, 19.70), (0, 34.85), (10, 45.02), (20, 57.29), (30, 72.14)]
)
def test_vapour_pressure_agrees_with_common_tables(celsius, bar):
    """Vapour pressure of carbon dioxide as in refrigeration handbooks (from memory)."""
    assert saturation(gas_table("carbon_dioxide")[0], celsius + 273.15)[PRESSURE] == pytest.approx(1e5 * bar, rel=2e-3)


@pytest.mark.parametrize(
    ("kind", "pressure", "temperature"),
    [
        ("nitrogen", 20e6, 293.15),
        ("nitrogen", 1e5, 300.0),
        ("nitrogen", 39e6, 260.0),
        ("air", 30e6, 280.0),
        ("carbon_dioxide", 1e6, 250.0),
        ("carbon_dioxide", 9e6, 320.0),
    ],
)
def test_density_from_pressure_agrees(kind, pressure, temperature, properties):
    reference = properties.PropsSI("D", "T", temperature, "P", pressure, FLUIDS[kind])
    assert gas_density(gas_table(kind)[0], temperature, pressure) == pytest.approx(reference, rel=5e-4)


def test_pressure_and_temperature_do_not_tell_the_mass_while_there_is_liquid():
    tank = GasSupply(kind="carbon_dioxide", volume=0.8e-3, mass=0.5)
    masses = tank.mass_at([tank.start_pressure(), 1e6], [293.15, 293.15])
    assert np.isnan(masses[0])
    assert masses[1] == pytest.approx(0.8e-3 * 19.11, rel=1e-3)  # superheated vapour at 1 MPa and 20 °C, by CoolProp


@pytest.mark.parametrize("kind", FLUIDS)
def test_the_tables_are_what_their_generator_makes(kind, properties):
    from testbed.description.gas_tables.generate import RANGES, make

    fluid, *ends = RANGES[kind]
    made, shipped = make(fluid, *ends)[0], gas_table(kind)[0]
    for name in made.dtype.names:
        assert made[name] == pytest.approx(shipped[name], rel=1e-6, abs=1e-3), name
