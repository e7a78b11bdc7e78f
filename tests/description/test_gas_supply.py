"""Gas supplies: what each kind needs, and what does not hang together."""

import pytest
from pydantic import ValidationError

from testbed.description.gas_supply import GasSupply, Regulator, Relief

CARBON_DIOXIDE = {"kind": "carbon_dioxide", "volume": 0.8e-3, "mass": 0.5}
NITROGEN = {"volume": 0.5e-3, "pressure": 20e6}


def test_what_was_there_before_is_enough_for_nitrogen():
    supply = GasSupply(**NITROGEN)
    assert supply.kind == "nitrogen"
    assert supply.start_pressure() == 20e6
    assert supply.filling() == ("pressure", 20e6)


def test_liquid_is_filled_by_mass_and_its_pressure_follows():
    supply = GasSupply(**CARBON_DIOXIDE)
    assert supply.start_mass() == 0.5
    assert supply.start_pressure() == pytest.approx(5.73e6, rel=1e-3)
    assert supply.filling() == ("mass", 0.5)


def test_usable_is_what_lies_above_the_reserve():
    assert GasSupply(**NITROGEN).usable_mass() == pytest.approx(0.5e-3 * (218.54 - 23.08), rel=1e-3)  # by CoolProp
    assert GasSupply(**CARBON_DIOXIDE).usable_mass() == pytest.approx(0.5 - 0.8e-3 * 40.77, rel=1e-3)


@pytest.mark.parametrize(
    ("values", "at", "allowed"),
    [
        ({"volume": 0.5e-3}, ("pressure",), "a number (Tank pressure"),
        ({**NITROGEN, "mass": 0.1}, ("mass",), "no such key for nitrogen"),
        ({**CARBON_DIOXIDE, "mass": None}, ("mass",), "a number (kg of carbon dioxide"),
        ({**CARBON_DIOXIDE, "pressure": 5e6}, ("pressure",), "no such key for carbon_dioxide"),
        ({**CARBON_DIOXIDE, "mass": 0.61}, ("mass",), "less than 0.6 kg"),
        ({**CARBON_DIOXIDE, "temperature": 300.0, "mass": 0.55}, ("mass",), "less than 0.54"),
        ({**CARBON_DIOXIDE, "temperature": 310.0}, ("temperature",), "less than 304.1 K"),
        ({**CARBON_DIOXIDE, "reserve_pressure": 6e6}, ("reserve_pressure",), "less than the pressure at the start"),
        ({**NITROGEN, "reserve_pressure": 21e6}, ("reserve_pressure",), "less than pressure, 2e+07 Pa"),
        ({**NITROGEN, "regulator": Regulator(pressure=9e6), "pressure": 8e6}, ("regulator", "pressure"), "less than"),
        ({**NITROGEN, "back_pressure": 0.6e6}, ("back_pressure",), "less than regulator.pressure"),
        ({**NITROGEN, "plenum_volume": 2e-4}, ("plenum_volume",), "at most a fifth of volume"),
        ({**NITROGEN, "relief": Relief(pressure=19e6, reseat=18e6)}, ("relief", "pressure"), "more than the pressure"),
    ],
)
def test_what_does_not_hang_together_is_told(values, at, allowed):
    with pytest.raises(ValidationError) as caught:
        GasSupply(**values)
    error = caught.value.errors()[0]["ctx"]["error"]
    assert error.at == at
    assert str(error).startswith(allowed)


def test_a_relief_valve_closes_below_the_pressure_at_which_it_opens():
    with pytest.raises(ValidationError, match="less than pressure"):
        Relief(pressure=8e6, reseat=8e6)


@pytest.mark.parametrize("kind", ["nitrogen", "air"])
@pytest.mark.parametrize("temperature", [250.0, 330.0])
@pytest.mark.parametrize("pressure", [3e6, 40e6])
def test_every_filling_that_the_schema_allows_is_in_the_table(kind, temperature, pressure):
    supply = GasSupply(kind=kind, volume=0.5e-3, pressure=pressure, temperature=temperature)
    assert 0.0 < supply.usable_mass() < supply.start_mass() < 0.25
