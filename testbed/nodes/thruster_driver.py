"""Thruster driver node: wrench in, valve schedule out, under the permission to fire."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence as Arguments
from typing import Final

import numpy as np
import rclpy
from diagnostic_msgs.msg import DiagnosticStatus
from numpy.typing import NDArray
from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from std_srvs.srv import Trigger

from testbed import __version__
from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.nodes import convert, process
from testbed.nodes.contract import VehicleContract
from testbed.nodes.follower import Follower, Inbox, Needed, Slots, forget_before
from testbed.nodes.holder import Holder
from testbed.nodes.plan_state import PlanStates

DEADMAN_SECONDS: Final = 0.25
"""Silence of the wrench after which the driver closes all valves (wall time; in lockstep the plant waits instead)."""


class ThrusterDriverNode(LifecycleNode):
    """Shell of flight.thruster_driver.ThrusterDriver; works at the first wrench of each modulation period.

    It sends a schedule at every period: while it may not fire, one that closes all valves.
    """

    def __init__(self) -> None:
        super().__init__("thruster_driver")
        self._contract = contract = VehicleContract(self)
        vehicle = contract.vehicle
        self._driver = ThrusterDriver(vehicle, contract.configuration.place, contract.configuration.active_axes)
        self._valve_names = [valve.name for valve in vehicle.thrusters.valves]
        modulation = round(vehicle.thrusters.modulation_period * messages.NS_PER_S)
        self._wrenches: Inbox = {}
        self._periods = Slots(modulation)
        self._plan = PlanStates(contract, self._poll)
        self._holder = Holder(self, contract, self._close_now)
        self._follower = Follower(self, contract, self._needed, self._work)
        self._schedule = np.zeros(1, messages.SCHEDULE)
        self._schedule_out = contract.publisher("valves/schedule")
        self._heard_at = time.monotonic()
        self._silent = True
        contract.subscribe_records("wrench", self._on_wrench)
        if not contract.lockstep:
            self.create_timer(DEADMAN_SECONDS / 5, self._watch)
        self.create_service(Trigger, "identity", self._identify)

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Allowed to fire from now on, if not stopped."""
        return self._holder.activate()

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Close and stay closed."""
        self._holder.deactivate()
        return TransitionCallbackReturn.SUCCESS

    on_shutdown = on_deactivate
    on_error = on_deactivate

    def _poll(self) -> None:
        self._follower.poll()

    def _on_wrench(self, record: NDArray[np.void]) -> None:
        self._heard_at, self._silent = time.monotonic(), False
        stamp = int(record[0]["stamp"])
        if self._periods.starts(stamp):
            forget_before(self._wrenches, stamp)
            self._wrenches[stamp] = record
            self._follower.begin(stamp)

    def _needed(self, stamp: int) -> Needed:
        """The state of the plan before this tick."""
        return self._plan.needed(stamp) if stamp > LOCKSTEP_START_NS else ()

    def _work(self, stamp: int) -> None:
        permitted = self._holder.may_fire(stamp, self._plan.in_force(stamp))
        self._driver.step(self._wrenches[stamp], permitted, self._schedule)
        self._follower.publish(self._schedule_out, convert.schedule_to_message(self._schedule[0], self._valve_names))

    def close(self) -> None:
        """Close all valves; the process ends."""
        if rclpy.ok():
            self._close_now()

    def _watch(self) -> None:
        """The deadman: close once when nobody says any more what to do."""
        if not self._silent and time.monotonic() - self._heard_at > DEADMAN_SECONDS:
            self._silent = True
            self._close_now()
            self._holder.report(DiagnosticStatus.WARN, f"no wrench for {DEADMAN_SECONDS} s: valves closed")

    def _close_now(self) -> None:
        """An empty schedule: close now."""
        closed = np.zeros(1, messages.SCHEDULE)
        closed[0]["stamp"] = time.time_ns()
        self._schedule_out.publish(convert.schedule_to_message(closed[0], self._valve_names))

    def _identify(self, _: Trigger.Request, response: Trigger.Response) -> Trigger.Response:
        configuration = self._contract.configuration
        response.success = True
        response.message = json.dumps({"plan": configuration.plan_hash, "version": __version__, "time": time.time_ns()})
        return response


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the node in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    process.begin(arguments)
    node = ThrusterDriverNode()
    process.spin([node], at_end=node.close)
    return 0
