"""Guidance node: odometry and the plan's maneuver in; wrench, reference and status out."""

from __future__ import annotations

from collections.abc import Sequence as Arguments
from functools import partial

import numpy as np
from numpy.typing import NDArray
from rclpy.node import Node
from std_msgs.msg import String

from testbed.description import messages
from testbed.description.maneuver import Maneuver
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS
from testbed.description.status import status_json
from testbed.flight.guidance import Guidance
from testbed.nodes import process
from testbed.nodes.contract import VehicleContract
from testbed.nodes.follower import Follower, Inbox, Needed, Slots, forget_before
from testbed.nodes.plan_state import PlanStates
from testbed.nodes.wire import Encoder


class GuidanceNode(Node):
    """Shell of flight.guidance.Guidance; works at the first odometry of each wrench period."""

    def __init__(self) -> None:
        super().__init__("guidance")
        self._contract = contract = VehicleContract(self)
        self._guidance = Guidance(contract.vehicle, contract.configuration.place, contract.configuration.active_axes)
        self._odometry: Inbox = {}
        self._maneuvers: Inbox = {}
        self._plan = PlanStates(contract, self._poll)
        self._number: int | None = None
        self._missed_try: tuple[str, int] | None = None
        self._phase = -1
        self._slots = Slots(PERIOD_NS["wrench"])
        self._reference_slots, self._status_slots = Slots(PERIOD_NS["reference"]), Slots(PERIOD_NS["maneuver/status"])
        self._follower = Follower(self, contract, self._needed, self._work)
        self._wrench, self._reference, self._status = (
            np.zeros(1, dtype) for dtype in (messages.WRENCH, messages.ODOMETRY, messages.STATUS)
        )
        self._wrench_form = Encoder("wrench", contract.base_frame)
        self._reference_form = Encoder("reference", contract.configuration.place, contract.base_frame)
        self._wrench_out = contract.publisher("wrench")
        self._reference_out = contract.publisher("reference")
        self._status_out = contract.publisher("maneuver/status")
        contract.subscribe_records("odometry", self._on_odometry)
        contract.subscribe_text("maneuver", Maneuver.model_validate_json, self._on_maneuver)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_odometry(self, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        if self._slots.starts(stamp):
            forget_before(self._odometry, stamp)
            self._odometry[stamp] = record
            self._follower.begin(stamp)

    def _on_maneuver(self, maneuver: Maneuver) -> None:
        self._maneuvers[maneuver.number] = maneuver
        self._follower.poll()

    def _needed(self, stamp: int) -> Needed:
        """The state of the plan before this tick, and the maneuver that it names."""
        if stamp > LOCKSTEP_START_NS:
            yield from self._plan.needed(stamp)
            number = self._plan.maneuver_number(stamp, self._contract.vehicle.name)
            if number > (self._number or 0):
                yield self._maneuvers, number

    def _work(self, stamp: int) -> None:
        self._take_maneuver(stamp)
        self._guidance.step(self._odometry[stamp], self._wrench, self._reference, self._status)
        self._follower.publish(self._wrench_out, self._wrench_form.encode(stamp, self._wrench[0]))
        if self._reference_slots.starts(stamp):
            self._follower.aside(partial(self._publish_reference, self._reference[0].copy()))
        phase = int(self._status[0]["phase"])
        if self._status_slots.starts(stamp) or phase != self._phase:
            self._follower.aside(partial(self._publish_status, self._status[0].copy()))
        self._phase = phase

    def _publish_reference(self, reference: np.void) -> None:
        self._follower.publish(self._reference_out, self._reference_form.encode(int(reference["stamp"]), reference))

    def _publish_status(self, status: np.void) -> None:
        self._follower.publish(self._status_out, String(data=status_json(status)))

    def _take_maneuver(self, stamp: int) -> None:
        """Obey a maneuver only if the plan names it now, and it is of a later try than was at hand at the start."""
        state = self._plan.in_force(stamp)
        if state is None:
            return
        number = self._plan.maneuver_number(stamp, self._contract.vehicle.name)
        if self._number is None:
            self._number = number
            self._missed_try = (state["run"], state["attempt"]) if number > 0 else None
        if number > self._number and number in self._maneuvers:
            maneuver = self._maneuvers[number]
            if (maneuver.run, maneuver.attempt) != self._missed_try:
                self._guidance.accept_maneuver(maneuver.record())
            self._number = number
            forget_before(self._maneuvers, number)


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the node in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    process.begin(arguments)
    process.spin([GuidanceNode()])
    return 0
