"""Which of the six axes a place leaves free."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

AXES: Final = ("x", "y", "z", "roll", "pitch", "yaw")

TABLE_AXES: Final = ("x", "y", "yaw")
CABIN_AXES: Final = AXES


def axis_mask(active_axes: tuple[str, ...]) -> NDArray[np.bool_]:
    """Mask of six booleans, true where the axis is free; order x, y, z, roll, pitch, yaw."""
    return np.array([axis in active_axes for axis in AXES], dtype=np.bool_)
