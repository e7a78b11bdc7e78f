"""Publishes what three vehicles say, at a rate of choice, and writes how many messages it sent and in which time."""

from __future__ import annotations

import json
import sys
import time
from itertools import cycle
from pathlib import Path
from typing import Any, Final

import numpy as np
import rclpy
from rclpy.node import Node
from rclpy.publisher import Publisher
from rclpy.serialization import serialize_message

from testbed.bench.rows import publisher
from testbed.description import messages
from testbed.nodes import convert

ROWS: Final = ("imu", "odometry", "imu", "truth", "imu", "wrench", "imu", "odometry")
"""About the mixture of a session."""
PATIENCE: Final = 20.0
BURST: Final = 0.005
"""Seconds from one burst of messages to the next."""
READERS: Final = 2
"""The recorder and the bare subscriber."""


def main(vehicles: list[str], rate: float, seconds: float, answer: Path) -> None:
    """Wait for the readers, then publish `rate` messages a second."""
    rclpy.init()
    node = rclpy.create_node("flood")
    senders = _all(node, vehicles)
    deadline = time.monotonic() + PATIENCE
    while any(one.get_subscription_count() < READERS for one, _ in senders):
        if time.monotonic() > deadline:
            raise TimeoutError(f"not everybody listens after {PATIENCE:.0f} s")
        time.sleep(0.05)
    time.sleep(0.5)
    took, sent = _publish(senders, rate, seconds)
    answer.write_text(json.dumps({"sent": sent, "seconds": took}))
    time.sleep(1.0)  # for those who listen to take the rest
    rclpy.try_shutdown()


def _all(node: Node, vehicles: list[str]) -> list[tuple[Publisher, bytes]]:
    """One publisher per topic, and what it says as often as it comes in ROWS."""
    made = {(name, row): publisher(node, row, name) for name in vehicles for row in set(ROWS)}
    return [(made[name, row], _bytes(row, name)) for row in ROWS for name in vehicles]


def _bytes(row: str, vehicle: str) -> bytes:
    base = f"{vehicle}/base_link"
    message: Any
    if row == "imu":
        message = convert.imu_to_message(np.zeros(1, messages.IMU)[0], base)
    elif row == "wrench":
        message = convert.wrench_to_message(np.zeros(1, messages.WRENCH)[0], base)
    else:
        message = convert.odometry_to_message(np.zeros(1, messages.ODOMETRY)[0], "table", base)
    return serialize_message(message)


def _publish(senders: list[tuple[Publisher, bytes]], rate: float, seconds: float) -> tuple[float, int]:
    """Seconds taken and messages sent."""
    began, sent, turn = time.monotonic(), 0, cycle(senders)
    while (passed := time.monotonic() - began) < seconds:
        for _ in range(round(rate * (passed + BURST)) - sent):
            one, data = next(turn)
            one.publish(data)
            sent += 1
        time.sleep(max(began + sent / rate - time.monotonic(), 0.0))
    return time.monotonic() - began, sent


if __name__ == "__main__":
    main(json.loads(sys.argv[1]), float(sys.argv[2]), float(sys.argv[3]), Path(sys.argv[4]))
