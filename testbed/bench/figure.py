"""One measured number, the number it is held against, and the bound that it has to keep."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Figure:
    """A row of the table. `peer` was measured in the same run; `at_most` and `at_least` are bounds of the project."""

    measure: str
    value: float
    unit: str
    peer: float | None = None
    peer_name: str = ""
    at_most: float | None = None
    at_least: float | None = None
    note: str = ""

    @property
    def kept(self) -> bool | None:
        """Whether the bound is kept; None without a bound."""
        if self.at_most is None and self.at_least is None:
            return None
        low = -np.inf if self.at_least is None else self.at_least
        high = np.inf if self.at_most is None else self.at_most
        return bool(low <= self.value <= high)

    def to_dict(self) -> dict[str, Any]:
        """Plain values, with `kept`."""
        return {**asdict(self), "kept": self.kept}


def median(values: ArrayLike) -> float:
    """The value that half of them exceed."""
    return float(np.median(np.asarray(values, float)))


def percentile(values: ArrayLike, share: float) -> float:
    """The value that `share` per cent of them do not exceed."""
    return float(np.percentile(np.asarray(values, float), share))
