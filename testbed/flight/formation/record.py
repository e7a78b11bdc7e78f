"""One vehicle's part of a plan as the record that goes to its guidance."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description.messages import MAX_KNOTS, NS_PER_S, TRAJECTORY
from testbed.flight.formation.turn import Turn

Array = NDArray[np.float64]


def trajectory_record(
    number: int, zero: int, times: Array, positions: Array, velocities: Array, turn: Turn
) -> NDArray[np.void]:
    """One messages.TRAJECTORY for maneuver `number`, stamped at its first knot.

    Knots at `times` (K,), s after the stamp `zero` ns; positions m and velocities m/s, (K, 3), in the fixed frame.

    Raises:
        ValueError: more knots than there is room for, or none.

    """
    count = len(times)
    if not 1 <= count <= MAX_KNOTS:
        raise ValueError(f"a trajectory has 1 to {MAX_KNOTS} knots, not {count}")
    record = np.zeros(1, TRAJECTORY)
    one = record[0]
    stamps = zero + np.round(times * NS_PER_S).astype(np.int64)
    one["stamp"], one["number"], one["count"] = stamps[0], number, count
    one["offset"][:count] = stamps - stamps[0]
    one["position"][:count], one["velocity"][:count] = positions, velocities
    orientations, rates = turn.during(times)
    one["orientation"][:count], one["rate"][:count] = orientations, Rotation.from_quat(orientations).apply(rates)
    return record
