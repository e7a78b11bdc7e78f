"""What was found in one picture, as a record."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from testbed.flight.sight.layout import LOOK, MAX_MARKERS


def look_at(stamp: int, corners: dict[int, NDArray[np.float64]]) -> NDArray[np.void]:
    """LOOK, shape (1,), from the corners (4, 2), pixels, of each fiducial found, by its place in the partner's file."""
    record = np.zeros(1, LOOK)
    look = record[0]
    look["stamp"], look["count"] = stamp, min(len(corners), MAX_MARKERS)
    for row, index in enumerate(sorted(corners)[:MAX_MARKERS]):
        look["marker"][row], look["corners"][row] = index, corners[index]
    return record
