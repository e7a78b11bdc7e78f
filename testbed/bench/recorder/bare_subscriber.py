"""The recorder's peer: subscribes to the same topics in the same way and only counts."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import rclpy
from rclpy.node import Node

from testbed.bench.recorder.flood import ROWS
from testbed.nodes import process
from testbed.nodes.topics import LOCKSTEP_DEPTH, subscriber_qos, topic


class BareSubscriber(Node):
    """Counts raw messages."""

    def __init__(self, vehicles: list[str]) -> None:
        super().__init__("bare_subscriber")
        self.count = 0
        for name in vehicles:
            for row in (topic(one) for one in sorted(set(ROWS))):
                qos = subscriber_qos(row, lockstep=True, depth=LOCKSTEP_DEPTH)
                self.create_subscription(row.type, row.full_name(name), self._on_message, qos, raw=True)

    def _on_message(self, _: bytes) -> None:
        self.count += 1


def main(vehicles: list[str], answer: Path) -> None:
    """Count until told to end."""
    rclpy.init()
    node = BareSubscriber(vehicles)

    def write() -> None:
        answer.write_text(str(node.count))

    process.spin([node], at_end=write)


if __name__ == "__main__":
    main(json.loads(sys.argv[1]), Path(sys.argv[2]))
