"""Properties of the gases that tanks hold, tabulated once from CoolProp (generate.py)."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.gas_tables.layout import GAS_TABLE

GasKind = Literal["nitrogen", "air", "carbon_dioxide"]
FOLDER: Final = Path(__file__).parent


@cache
def gas_table(kind: GasKind) -> NDArray[np.void]:
    """Table of a gas: an array of one layout.GAS_TABLE, read only."""
    with np.load(FOLDER / f"{kind}.npz") as file:
        table = np.asarray(file["table"], GAS_TABLE)
    table.flags.writeable = False
    return table
