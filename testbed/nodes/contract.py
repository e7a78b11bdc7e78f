"""What every node has in common: its parameters, and publishers and subscriptions by their names in the contract."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rclpy.node import Node
from rclpy.publisher import Publisher

from testbed.nodes.active_axes import declare_active_axes
from testbed.nodes.topics import expected_hearers, publisher_qos, subscriber_qos, topic
from testbed.nodes.wire import Decoder
from testbed.plan.configuration import Configuration, load_configuration


def declare_configuration(node: Node) -> tuple[Configuration, bool]:
    """Declare the parameters that every node has, and load what they name: configuration, lockstep or not."""
    node.declare_parameter("plan", "")
    node.declare_parameter("seed", -1)
    node.declare_parameter("lockstep", False)
    node.declare_parameter("launched", False)
    seed = int(node.get_parameter("seed").value)
    configuration = load_configuration(Path(node.get_parameter("plan").value), seed if seed >= 0 else None)
    return configuration, bool(node.get_parameter("lockstep").value)


def text_taker(
    read: Callable[[str], Any], take: Callable[[Any], None], complain: Callable[[Exception], None]
) -> Callable[[Any], None]:
    """A callback for String messages that passes on what `read` makes of each text, and survives what it can't read."""

    def hear(message: Any) -> None:
        try:
            content = read(message.data)
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            complain(error)
        else:
            take(content)

    return hear


class Contract:
    """Publishers and subscriptions of one node by their names in the contract."""

    def __init__(self, node: Node, lockstep: bool, vehicles: int, formations: bool = False) -> None:
        """Of a session of so many vehicles; `formations`: whether the plan has any, so that their planner runs."""
        self._node = node
        self.lockstep = lockstep
        self._vehicles, self._formations = vehicles, formations
        self.launched = bool(node.get_parameter("launched").value)
        self._expected: list[tuple[Publisher, int]] = []

    def publisher(self, name: str, vehicle: str = "") -> Publisher:
        """A publisher of a row of the contract."""
        row = topic(name)
        # Node's own, because a lifecycle node's would stay silent until activated.
        publisher = Node.create_publisher(self._node, row.type, row.full_name(vehicle), publisher_qos(row))
        if self.launched:
            self._expected.append((publisher, expected_hearers(row, self._vehicles, self._formations)))
        return publisher

    def connected(self) -> bool:
        """Whether everybody who is to hear this node does, so that not even the first message is lost.

        Only the launcher's sessions know who that is; a node started by hand waits for nobody.
        """
        self._expected = [(one, wanted) for one, wanted in self._expected if one.get_subscription_count() < wanted]
        return not self._expected

    def subscribe(self, name: str, callback: Callable[[Any], None], vehicle: str = "", raw: bool = False) -> None:
        """A subscription of a row of the contract; raw: the callback gets the bytes of each message."""
        row = topic(name)
        qos = subscriber_qos(row, self.lockstep)
        self._node.create_subscription(row.type, row.full_name(vehicle), callback, qos, raw=raw)

    def subscribe_text(
        self, name: str, read: Callable[[str], Any], take: Callable[[Any], None], vehicle: str = ""
    ) -> None:
        """A subscription of a JSON row: `take` gets what `read` makes of each text; what is none is passed over."""

        def complain(error: Exception) -> None:
            self._node.get_logger().warning(f"{name}: {error}")

        self.subscribe(name, text_taker(read, take, complain), vehicle)

    def subscribe_records(
        self, name: str, callback: Callable[[NDArray[np.void]], None], vehicle: str = "", form: str = ""
    ) -> None:
        """A subscription of a row in wire.RECORDS: the callback gets a new record, shape (1,), of each message.

        form: the row whose messages it carries, where it is not in wire.RECORDS itself.
        """
        decoder = Decoder(form or name)

        def read(data: bytes) -> None:
            try:
                record = decoder.decode(data)
            except ValueError as error:
                self._node.get_logger().warning(f"{name}: {error}")
                return
            callback(record)

        self.subscribe(name, read, vehicle, raw=True)


def session_contract(node: Node, configuration: Configuration, lockstep: bool) -> Contract:
    """The contract of a node that belongs to no vehicle."""
    return Contract(node, lockstep, len(configuration.vehicles), bool(configuration.plan.formations))


class VehicleContract(Contract):
    """The contract of one vehicle, which is the node's namespace."""

    def __init__(self, node: Node) -> None:
        self.configuration, lockstep = declare_configuration(node)
        self.active_axes = declare_active_axes(node, self.configuration)
        vehicles, formations = len(self.configuration.vehicles), bool(self.configuration.plan.formations)
        super().__init__(node, lockstep, vehicles, formations)
        self.vehicle = self.configuration.vehicles[node.get_namespace().strip("/")]
        self.base_frame = self.frame("base_link")

    def frame(self, link: str) -> str:
        """Full name of a frame of this vehicle."""
        return f"{self.vehicle.name}/{link}"

    def publisher(self, name: str, vehicle: str = "") -> Publisher:
        """A publisher of a row of the contract, in this vehicle's namespace."""
        return super().publisher(name, vehicle or self.vehicle.name)

    def subscribe(self, name: str, callback: Callable[[Any], None], vehicle: str = "", raw: bool = False) -> None:
        """A subscription of a row of the contract, in this vehicle's namespace."""
        super().subscribe(name, callback, vehicle or self.vehicle.name, raw)
