"""The radio between vehicles: hears every estimate, and tells each vehicle of its partners what has come through."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rclpy.publisher import Publisher
from sensor_msgs.msg import JointState

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.description.ticks import due
from testbed.model.draws import Draws
from testbed.model.radio import Radio
from testbed.nodes import convert
from testbed.nodes.contract import Contract
from testbed.nodes.follower import Inbox, forget_before
from testbed.nodes.topics import partner_topic
from testbed.nodes.wire import Encoder
from testbed.plan.configuration import Configuration

Send = Callable[[str, Publisher, Any], None]
"""Publishes a message for a vehicle of that name."""


class RadioFeed:
    """The shell of model.Radio in the plant node; does nothing in a session of one vehicle.

    The order within a tick is that of the engine: `publish` when the tick begins, `take` when it is complete.
    """

    def __init__(
        self,
        configuration: Configuration,
        radio: Radio,
        draws: Draws,
        contract: Contract,
        send: Send,
        arrived: Callable[[], None],
    ) -> None:
        self._radio, self._draws, self._send, self._arrived = radio, draws, send, arrived
        self._lockstep = contract.lockstep
        self._names = names = list(configuration.vehicles)
        self._newest = np.zeros(len(names), messages.ODOMETRY)
        self._inboxes: list[Inbox] = [{} for _ in names]
        place = configuration.place
        self._forms = [Encoder("odometry", place, f"{name}/base_link") for name in names]
        self._out: dict[tuple[int, int], Publisher] = {}
        self._heard_out = [contract.publisher("partners/heard", name) for name in names] if radio.on else []
        for v, name in enumerate(names):
            contract.subscribe_records("odometry", partial(self._on_odometry, v), name)
            for s, partner in enumerate(names):
                if s != v:
                    self._out[v, s] = contract.publisher(partner_topic(partner), name)

    def publish(self, stamp: int) -> None:
        """Give out what has come through, where it is due."""
        if not self._radio.on or not due(stamp, self._radio.period):
            return
        heard = self._radio.hear(stamp)
        for (r, s), publisher in self._out.items():
            if (sent := int(heard[r, s]["stamp"])) > 0:
                self._send(self._names[r], publisher, self._forms[s].encode(sent, heard[r, s]))
        for r, name in enumerate(self._names):
            self._send(name, self._heard_out[r], self._told(stamp, heard[r]))

    def _told(self, stamp: int, heard: NDArray[np.void]) -> JointState:
        """Which partners a vehicle has heard of, so that in lockstep it knows what to wait for."""
        message = JointState(header=convert.header(stamp, ""))
        for name, sent in zip(self._names, heard["stamp"].tolist(), strict=True):
            if sent > 0:  # of itself it hears nothing
                message.name.append(name)
                message.position.append((sent - stamp) / NS_PER_S)
        return message

    def complete(self, stamp: int) -> bool:
        """Whether, in lockstep, every estimate that is to be sent at this tick is in."""
        sends = self._radio.on and due(stamp, self._radio.period)
        return not sends or all(stamp in inbox for inbox in self._inboxes)

    def take(self, stamp: int) -> None:
        """Send the estimates of this tick, where they are due; on wall time the newest ones that are in."""
        if not self._radio.on or not due(stamp, self._radio.period):
            return
        for v, inbox in enumerate(self._inboxes):
            if keys := [key for key in inbox if key <= stamp]:
                self._newest[v] = inbox[max(keys)][0]
                forget_before(inbox, max(keys) + 1)
        self._radio.send(stamp, self._newest, self._draws.radio(1)[0])

    def _on_odometry(self, v: int, record: NDArray[np.void]) -> None:
        if not self._radio.on:
            return
        stamp = int(record[0]["stamp"])
        if due(stamp, self._radio.period) or not self._lockstep:
            if stamp > int(self._newest[v]["stamp"]):
                self._inboxes[v][stamp] = record
            self._arrived()
