"""Where a vehicle was and how it was turned, over time.

This file imports nothing from the rest of plan/, so that no kernel is compiled anew when a plan gets a new key.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

TRACK: Final = np.dtype([("stamp", "i8"), ("position", "f8", (3,)), ("orientation", "f8", (4,))], align=True)
"""The part of messages.ODOMETRY that criteria look at."""


def track(odometry: NDArray[np.void]) -> NDArray[np.void]:
    """Copy the fields of TRACK out of an array of messages.ODOMETRY."""
    kept = np.empty(len(odometry), TRACK)
    for name in ("stamp", "position", "orientation"):
        kept[name] = odometry[name]
    return kept
