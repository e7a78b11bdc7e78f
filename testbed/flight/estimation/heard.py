"""What an estimator has heard between two of its steps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Heard(NamedTuple):
    """What an estimator has heard since its last step, each oldest first.

    imu: messages.IMU, shape (n,), the last one stamped as the step; in lockstep one per 10 ms. ranges: messages.RANGES,
    shape (n,), of cycles that have ended since; empty clouds included. schedules: messages.SCHEDULE, shape (n,), what
    the vehicle's valves were told; count 0 means closed at once. air_temperature: newest measured, K; NaN before any.
    """

    imu: NDArray[np.void]
    ranges: NDArray[np.void]
    schedules: NDArray[np.void]
    air_temperature: float
