"""What a vehicle hears of its partners by radio: the newest odometry of each."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Final

import numpy as np
from numpy.typing import NDArray
from rclpy.node import Node
from sensor_msgs.msg import JointState

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.flight.separation import MAX_PARTNERS
from testbed.nodes.contract import VehicleContract
from testbed.nodes.follower import Inbox, Needed, forget_before
from testbed.nodes.topics import partner_topic, to_nanoseconds

KEPT_NS: Final = NS_PER_S
"""How much older than the newest an odometry or a count is kept."""


class Partners:
    """The newest odometry of each partner, in the order of the session.

    wanted: whether anybody works with it; then in lockstep a tick waits for what `partners/heard` of the last tick of
    the radio names. On wall time the newest that has arrived counts.
    """

    def __init__(self, node: Node, contract: VehicleContract, wanted: bool, arrived: Callable[[], None]) -> None:
        self._node, self._lockstep, self._arrived = node, contract.lockstep, arrived
        vehicle = contract.vehicle.name
        self.names = [name for name in contract.configuration.vehicles if name != vehicle]
        self._wanted = wanted and bool(self.names)
        self._period = contract.configuration.noise.radio.period_ns
        self._odometry: list[Inbox] = [{} for _ in self.names]
        self._heard: Inbox = {}
        self._newest = np.zeros(MAX_PARTNERS, messages.ODOMETRY)
        for k, name in enumerate(self.names):
            contract.subscribe_records(partner_topic(name), partial(self._on_odometry, k), form="odometry")
        if self.names:
            contract.subscribe("partners/heard", self._on_heard)

    def needed(self, stamp: int) -> Needed:
        """In lockstep: what was heard at the last tick of the radio, and each odometry that is named there."""
        last = stamp // self._period * self._period
        if not self._wanted or last < LOCKSTEP_START_NS:
            return
        yield self._heard, last
        for k, sent in self._heard[last].items():
            yield self._odometry[k], sent

    def newest(self, stamp: int) -> NDArray[np.void]:
        """The newest odometry of each partner at a tick, shape (MAX_PARTNERS,); stamp 0: none was heard."""
        if self._lockstep:
            heard = self._heard.get(stamp // self._period * self._period, {}) if self._wanted else {}
        else:
            heard = {k: max(inbox) for k, inbox in enumerate(self._odometry) if inbox}
        self._newest["stamp"] = 0
        for k, sent in heard.items():
            self._newest[k] = self._odometry[k][sent][0]
        return self._newest

    def _on_odometry(self, k: int, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        forget_before(self._odometry[k], stamp - KEPT_NS)
        self._odometry[k][stamp] = record
        self._arrived()

    def _on_heard(self, message: JointState) -> None:
        stamp = to_nanoseconds(message.header.stamp)
        if len(message.name) != len(message.position) or not set(message.name) <= set(self.names):
            self._node.get_logger().warning(f"partners/heard: {len(message.position)} ages of {list(message.name)}")
            return
        forget_before(self._heard, stamp - KEPT_NS)
        ages = zip(message.name, message.position, strict=True)
        self._heard[stamp] = {self.names.index(name): stamp + round(age * NS_PER_S) for name, age in ages}
        self._arrived()
