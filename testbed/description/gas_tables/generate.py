"""Make the tables of gas properties from CoolProp: `python -m testbed.description.gas_tables.generate`.

Run by hand, with CoolProp from the extra `dev`, when the nodes below or CoolProp's equations change; the files that it
writes are in the repository and in the package, so that nobody needs CoolProp to run anything. CoolProp evaluates the
reference equations of state of the literature (its documentation names them):

- carbon dioxide: Span and Wagner, J. Phys. Chem. Ref. Data 25 (1996) 1509;
- nitrogen: Span, Lemmon, Jacobsen, Wagner and Yokozeki, J. Phys. Chem. Ref. Data 29 (2000) 1361;
- air as a pseudo-pure fluid: Lemmon, Jacobsen, Penoncello and Friend, J. Phys. Chem. Ref. Data 29 (2000) 331.

On the grid of temperature and density the equation is evaluated as that of one phase even where liquid and vapour are
stable, so that the tabled functions are smooth right across the saturation line.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.gas_tables.layout import (
    DENSITY_NODES,
    GAS_TABLE,
    SATURATION_NODES,
    TEMPERATURE_NODES,
    saturation_temperatures,
)

FOLDER: Final = Path(__file__).parent
NEARLY_NOTHING: Final = 1e-6
"""Density in kg/m³ at which a gas is ideal to the last digit."""

RANGES: Final = {
    "nitrogen": ("Nitrogen", 140.0, 360.0, 480.0),
    "air": ("Air", 140.0, 360.0, 480.0),
    "carbon_dioxide": ("CarbonDioxide", None, 340.0, 800.0),
}
"""By kind: CoolProp's name, lowest temperature K (None: the triple point), highest, highest density kg/m³.

Nitrogen and air end above their critical temperatures (126.2 and 132.5 K), so that they never condense in a table."""


def make(fluid: str, coldest: float | None, hottest: float, densest: float) -> NDArray[np.void]:
    """Tabulate one fluid: an array of one layout.GAS_TABLE."""
    import CoolProp.CoolProp as coolprop

    gas = coolprop.AbstractState("HEOS", fluid)
    table = np.zeros(1, GAS_TABLE)
    one = table[0]
    one["gas_constant"] = gas.gas_constant() / gas.molar_mass()
    one["coldest"] = gas.Ttriple() if coldest is None else coldest
    one["hottest"], one["densest"] = hottest, densest
    if coldest is None:
        _set_saturation(one, gas, coolprop)
    gas.specify_phase(coolprop.iphase_gas)
    for i, temperature in enumerate(np.linspace(float(one["coldest"]), hottest, TEMPERATURE_NODES)):
        for j, density in enumerate(np.linspace(0.0, densest, DENSITY_NODES)):
            gas.update(coolprop.DmassT_INPUTS, max(density, NEARLY_NOTHING), temperature)
            ideal = max(density, NEARLY_NOTHING) * float(one["gas_constant"]) * temperature
            one["single_phase"][i, j] = gas.p() / ideal, gas.umass()
    return table


def _set_saturation(one: np.void, gas: Any, coolprop: Any) -> None:
    one["critical_temperature"] = gas.T_critical()
    for row, temperature in zip(one["saturation"], saturation_temperatures(one), strict=True):
        if temperature >= gas.T_critical():
            gas.update(coolprop.DmassT_INPUTS, gas.rhomass_critical(), gas.T_critical())
            row[:] = gas.p(), gas.rhomass(), gas.rhomass(), gas.umass(), gas.umass()
        else:
            gas.update(coolprop.QT_INPUTS, 0.0, temperature)
            liquid = gas.rhomass(), gas.umass()
            gas.update(coolprop.QT_INPUTS, 1.0, temperature)
            row[:] = gas.p(), liquid[0], gas.rhomass(), liquid[1], gas.umass()
    assert len(one["saturation"]) == SATURATION_NODES


def main() -> None:
    """Write every table beside this file."""
    import CoolProp

    for kind, (fluid, *ends) in RANGES.items():
        source = f"CoolProp {CoolProp.__version__}, {fluid}"
        np.savez(FOLDER / f"{kind}.npz", table=make(fluid, *ends), source=np.array(source))  # type: ignore[arg-type]


if __name__ == "__main__":
    main()
