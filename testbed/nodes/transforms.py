"""`/tf`: where a vehicle's base_link is, as its estimator has it, for displays that know nothing else."""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.ticks import due
from testbed.nodes import convert, topics
from testbed.nodes.contract import Contract

PERIOD: Final = NS_PER_S // 10


class Transforms:
    """Publisher of one vehicle's transform; does nothing where tf2_msgs is not installed."""

    def __init__(self, contract: Contract, frame: str, child_frame: str, message_type: Any = None) -> None:
        self._type = message_type or topics.TRANSFORM
        self._out = contract.publisher("/tf") if self._type is not None else None
        self._frames = frame, child_frame

    def send(self, odometry: np.void) -> None:
        """Publish a messages.ODOMETRY record if it is due, and if the vehicle knows where it is."""
        known = odometry["pose_covariance"][0, 0] < 0.5 * UNKNOWN_VARIANCE
        if self._out is not None and known and due(int(odometry["stamp"]), PERIOD):
            transform = convert.transform_from_odometry(odometry, *self._frames)
            self._out.publish(self._type(transforms=[transform]))
