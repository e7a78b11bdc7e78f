"""Where vehicles rest until somebody puts them elsewhere."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from testbed.description.cabin import Cabin
from testbed.description.rotation import from_heading
from testbed.description.table import Table


def parked(room: Table | Cabin, count: int, radius: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Positions, shape (count, 3), and orientations, shape (count, 4), of base_link.

    A table's parking positions in their order; where it has too few, and in a cabin, a square grid around the origin
    with half of `radius` m between vehicles.
    """
    parking = room.parking if isinstance(room, Table) else ()
    if len(parking) >= count:
        positions = np.array([(one.x, one.y, 0.0) for one in parking[:count]])
        return positions, np.array([from_heading(math.radians(one.heading_deg)) for one in parking[:count]])
    side = math.ceil(math.sqrt(count))
    row, column = np.divmod(np.arange(count), side)
    centre = (side - 1) / 2.0
    positions = 2.5 * radius * np.column_stack([column - centre, row - centre, np.zeros(count)])
    return positions, np.tile([0.0, 0.0, 0.0, 1.0], (count, 1))
