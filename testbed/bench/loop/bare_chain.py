"""Bare middleware for comparison: three nodes in one process that forward messages of the same types, sizes and rates.

Nothing is computed: every message is made once, and only its stamp is set.
"""

from __future__ import annotations

import json
import sys
from array import array
from itertools import cycle
from typing import Any

import numpy as np
import rclpy
from geometry_msgs.msg import WrenchStamped
from nav_msgs.msg import Odometry
from rclpy.node import Node
from sensor_msgs.msg import Imu, PointCloud2
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from testbed.bench.rows import publisher, subscribe
from testbed.description import messages
from testbed.description.messages import PERIOD_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.nodes import convert, process
from testbed.nodes.topics import to_nanoseconds, to_time

NAMESPACE = "bare"


class BareEstimator(Node):
    """imu and ranges in, odometry out at each odometry tick."""

    def __init__(self) -> None:
        super().__init__("bare_estimator")
        self._message = convert.odometry_to_message(
            np.zeros(1, messages.ODOMETRY)[0], "table", f"{NAMESPACE}/base_link"
        )
        self._out = publisher(self, "odometry", NAMESPACE)
        subscribe(self, "ranges", self._on_ranges, NAMESPACE)
        subscribe(self, "imu", self._on_imu, NAMESPACE)

    def _on_ranges(self, message: PointCloud2) -> None:
        """Received, as the estimator receives it."""

    def _on_imu(self, message: Imu) -> None:
        if due(to_nanoseconds(message.header.stamp), PERIOD_NS["odometry"]):
            self._message.header.stamp = message.header.stamp
            self._out.publish(self._message)


class BareGuidance(Node):
    """odometry in, wrench out at each wrench tick."""

    def __init__(self) -> None:
        super().__init__("bare_guidance")
        self._message = convert.wrench_to_message(np.zeros(1, messages.WRENCH)[0], f"{NAMESPACE}/base_link")
        self._out = publisher(self, "wrench", NAMESPACE)
        subscribe(self, "odometry", self._on_odometry, NAMESPACE)

    def _on_odometry(self, message: Odometry) -> None:
        if wrench_due(to_nanoseconds(message.header.stamp)):
            self._message.header.stamp = message.header.stamp
            self._out.publish(self._message)


class BareDriver(Node):
    """wrench in, schedule out at each modulation period; `points` are the sizes of the schedules, in turn."""

    def __init__(self, valves: list[str], points: list[int], modulation: int, lead: int) -> None:
        super().__init__("bare_driver")
        self._messages = cycle([_schedule(valves, count) for count in points])
        self._modulation, self._lead = modulation, lead
        self._out = publisher(self, "valves/schedule", NAMESPACE)
        subscribe(self, "wrench", self._on_wrench, NAMESPACE)

    def _on_wrench(self, message: WrenchStamped) -> None:
        stamp = to_nanoseconds(message.header.stamp)
        if schedule_due(stamp, self._modulation):
            schedule = next(self._messages)
            schedule.header.stamp = to_time(stamp + self._lead)
            self._out.publish(schedule)


def _schedule(valves: list[str], count: int) -> JointTrajectory:
    point: dict[str, Any] = {"positions": array("d", [0.0] * len(valves))}
    return JointTrajectory(joint_names=valves, points=[JointTrajectoryPoint(**point) for _ in range(count)])


if __name__ == "__main__":
    rclpy.init()
    process.spin([BareEstimator(), BareGuidance(), BareDriver(**json.loads(sys.argv[1]))])
