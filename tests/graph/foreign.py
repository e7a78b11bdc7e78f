"""A ROS node that is not ours: what a person or another program on the same graph can see and send."""

from __future__ import annotations

import time
from collections import defaultdict

import rclpy
from rclpy.executors import SingleThreadedExecutor
from rclpy.publisher import Publisher
from rclpy.qos import QoSProfile, QoSReliabilityPolicy

from testbed.nodes.topics import publisher_qos, topic

PATIENCE = 20.0
"""Longest wait, s; no safety bound hangs on it."""


class Foreign:
    """A node of its own context in a domain; hears with reliable subscriptions, sends with the contract's QoS."""

    def __init__(self, domain: int) -> None:
        self.context = rclpy.Context()
        rclpy.init(context=self.context, domain_id=domain)
        self.node = rclpy.create_node("foreign", context=self.context)
        self.executor = SingleThreadedExecutor(context=self.context)
        self.executor.add_node(self.node)
        self.heard = defaultdict(list)
        self._publishers = {}
        self._clients = {}
        self._answered = set()
        self.beside = lambda: None

    def __enter__(self) -> Foreign:
        return self

    def __exit__(self, *_: object) -> None:
        self.executor.shutdown()
        self.node.destroy_node()
        rclpy.shutdown(context=self.context)

    def hear(self, row: str, vehicle: str = "") -> None:
        """Keep everything that comes on a topic."""
        one = topic(row)
        name = one.full_name(vehicle)
        qos = publisher_qos(one) if one.latched else QoSProfile(depth=1000, reliability=QoSReliabilityPolicy.RELIABLE)
        self.node.create_subscription(one.type, name, self.heard[name].append, qos)

    def announce(self, row: str, vehicle: str = "", hearers: int = 0) -> Publisher:
        """The publisher of a topic, when so many subscribers are there."""
        one = topic(row)
        name = one.full_name(vehicle)
        if name not in self._publishers:
            self._publishers[name] = self.node.create_publisher(one.type, name, publisher_qos(one))
        publisher = self._publishers[name]
        self.until(lambda: publisher.get_subscription_count() >= hearers, f"{hearers} hear {name}")
        return publisher

    def send(self, row: str, message: object, vehicle: str = "", hearers: int = 0) -> None:
        """Publish, first time when so many subscribers are there."""
        self.announce(row, vehicle, hearers).publish(message)

    def until(self, condition, what: str, patience: float = PATIENCE) -> None:
        """Spin until something is so."""
        deadline = time.monotonic() + patience
        while not condition():
            assert time.monotonic() < deadline, f"waited {patience:g} s until {what}"
            self.executor.spin_once(timeout_sec=0.01)
            self.beside()

    def soon(self, condition, seconds: float = 1.0) -> bool:
        """Spin until something is so, or the time is over; whether it is so."""
        end = time.monotonic() + seconds
        self.until(lambda: condition() or time.monotonic() > end, "it is so or the time is over", seconds + PATIENCE)
        return condition()

    def spin(self, seconds: float) -> None:
        """Go on for a time, for what must not happen meanwhile."""
        end = time.monotonic() + seconds
        self.until(lambda: time.monotonic() > end, "the time is over", seconds + PATIENCE)

    def call(self, service_type, name: str, request: object) -> object:
        """Call a service and return its answer."""
        if name not in self._clients:  # one for good: endless new ones flood discovery, until none is found in time
            self._clients[name] = self.node.create_client(service_type, name)
        client = self._clients[name]
        # Who has answered once is matched. Fast DDS may deny it for long: it also counts what others have left behind.
        if name not in self._answered:
            self.until(client.service_is_ready, f"{name} is there")
        future = client.call_async(request)
        self.until(future.done, f"{name} answers")
        self._answered.add(name)
        return future.result()

    def standing(self, holder: str) -> dict[str, str]:
        """What a holder of valves said of itself last on `/diagnostics`, with its message; empty before."""
        said = [one for array in self.heard["/diagnostics"] for one in array.status if one.name == holder]
        return {"message": said[-1].message} | {one.key: one.value for one in said[-1].values} if said else {}

    def messages(self, holder: str) -> list[str]:
        """Everything a part said on `/diagnostics`."""
        return [one.message for array in self.heard["/diagnostics"] for one in array.status if one.name == holder]
