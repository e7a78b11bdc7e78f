"""Publishers and subscriptions of rows of the contract, with its types and quality of service on wall time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from rclpy.node import Node
from rclpy.publisher import Publisher

from testbed.nodes.topics import publisher_qos, subscriber_qos, topic


def publisher(node: Node, name: str, vehicle: str = "") -> Publisher:
    """A publisher of a row."""
    row = topic(name)
    return node.create_publisher(row.type, row.full_name(vehicle), publisher_qos(row))


def subscribe(node: Node, name: str, callback: Callable[[Any], None], vehicle: str = "") -> None:
    """A subscription of a row."""
    row = topic(name)
    node.create_subscription(row.type, row.full_name(vehicle), callback, subscriber_qos(row, lockstep=False))
