"""The plant's side of capture ports: commands to them, and what they hold."""

from __future__ import annotations

from array import array
from collections.abc import Callable
from functools import partial
from typing import Any

from rclpy.node import Node
from rclpy.publisher import Publisher
from sensor_msgs.msg import JointState
from std_msgs.msg import String

from testbed.model.plant import Plant
from testbed.nodes import convert
from testbed.nodes.contract import Contract
from testbed.plan.configuration import Configuration
from testbed.rehearsal.joints import Joints

ENGAGED = 0.5
"""A position above it engages a port, any other lets it go."""


class PortFeed:
    """Publishers of `port/state` and `/joined`; `send` gets vehicle, publisher and message of each."""

    def __init__(
        self,
        configuration: Configuration,
        plant: Plant,
        contract: Contract,
        send: Callable[[str, Publisher, Any], None],
    ) -> None:
        self._joints = Joints(configuration, plant)
        self._vehicles = list(configuration.vehicles.values())
        self._send = send
        self._out = {
            index: contract.publisher("port/state", self._vehicles[index].name) for index in self._joints.indices
        }
        self._joined_out = contract.publisher("/joined")

    def publish(self, stamp: int) -> None:
        """Tell what the ports hold, if it is the first time or has changed."""
        if not self._joints.news(stamp):
            return
        for index, publisher in self._out.items():
            vehicle = self._vehicles[index]
            message = JointState(header=convert.header(stamp, ""), name=[port.name for port in vehicle.ports])
            message.position = array("d", self._joints.held(index))
            self._send(vehicle.name, publisher, message)
        self._send("", self._joined_out, String(data=self._joints.joined(stamp)))


class PortCommands:
    """Hears `port/command`, and hands the commands to the plant at its next tick, in the order of vehicles and ports.

    Of two commands to one port within a tick the later one counts.
    """

    def __init__(self, node: Node, configuration: Configuration, plant: Plant, contract: Contract) -> None:
        self._node, self._plant = node, plant
        self._ports = [[port.name for port in one.ports] for one in configuration.vehicles.values()]
        self._wanted: dict[tuple[int, int], bool] = {}
        for index, (name, ports) in enumerate(zip(configuration.vehicles, self._ports, strict=True)):
            if ports:
                contract.subscribe("port/command", partial(self._hear, index), name)

    def take(self, stamp: int) -> None:
        """Carry out what has been commanded since the last tick."""
        for (index, port), engaged in sorted(self._wanted.items()):
            self._plant.command_latch(index, port, engaged, stamp)
        self._wanted.clear()

    def _hear(self, index: int, message: JointState) -> None:
        if len(message.name) != len(message.position):
            self._node.get_logger().warning(f"port/command: {len(message.name)} names, {len(message.position)} values")
            return
        for name, position in zip(message.name, message.position, strict=True):
            if name in self._ports[index]:
                self._wanted[index, self._ports[index].index(name)] = position > ENGAGED
            else:
                allowed = ", ".join(self._ports[index])
                self._node.get_logger().warning(f"port/command: no port {name!r}, allowed: {allowed}")
