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
from std_msgs.msg import String
from std_srvs.srv import Trigger

from testbed import __version__
from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS
from testbed.flight.modulation import share_lost, windows_of
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.nodes import convert, process
from testbed.nodes.contract import VehicleContract
from testbed.nodes.follower import Follower, Inbox, Needed, Slots, forget_before
from testbed.nodes.holder import Holder, HolderNode
from testbed.nodes.partners import Partners
from testbed.nodes.plan_state import PlanStates
from testbed.nodes.valve_reports import ValveReports
from testbed.plan.commands import Event
from testbed.plan.flight_limits import flight_limits
from testbed.plan.guard_events import guard_event, told_guard
from testbed.plan.separation import company
from testbed.plan.separation_events import separation_event, told_separation
from testbed.plan.valve_events import told_valve, valve_event

DEADMAN_SECONDS: Final = 0.25
"""Silence of the wrench after which the driver closes all valves (wall time; in lockstep the plant waits instead)."""
KEPT_NS: Final = 200_000_000
"""How long an odometry is kept that no wrench has answered yet."""
UNKNOWN: Final = np.zeros(1, messages.ODOMETRY)
"""What stands for the odometry while there is none: nothing is known."""
UNKNOWN["orientation"] = [0.0, 0.0, 0.0, 1.0]
UNKNOWN["pose_covariance"] = UNKNOWN["twist_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)


class ThrusterDriverNode(HolderNode):
    """Shell of flight.thruster_driver.ThrusterDriver; works at the first wrench of each modulation period.

    It sends a schedule at every period: while it may not fire, one that closes all valves.
    """

    def __init__(self) -> None:
        super().__init__("thruster_driver")
        self._contract = contract = VehicleContract(self)
        vehicle = contract.vehicle
        configuration = contract.configuration
        limits = flight_limits(configuration, vehicle.name)
        windows = windows_of(vehicle, configuration.beacons, configuration.room)
        around = company(configuration, vehicle.name)
        self._driver = ThrusterDriver(vehicle, configuration.place, contract.active_axes, limits, windows, around)
        self._partners = Partners(self, contract, around is not None, self._poll)
        self._valve_names = [valve.name for valve in vehicle.thrusters.valves]
        modulation = round(vehicle.thrusters.modulation_period * messages.NS_PER_S)
        self._wrenches: Inbox = {}
        self._odometry: Inbox = {}
        self._reports = ValveReports(self._valve_names, self.get_logger().warning, self._poll)
        self._by_reports = vehicle.estimator.valve_forces == "reported"
        self._periods = Slots(modulation)
        self._plan = PlanStates(contract, self._poll)
        self.holder = Holder(self, contract, self._close_now)
        if windows.windows:
            self.holder.values["time lost to quiet windows"] = f"{100.0 * share_lost(windows, vehicle):.1f} %"
        self._follower = Follower(self, contract, self._needed, self._work)
        self._schedule = np.zeros(1, messages.SCHEDULE)
        self._schedule_out = contract.publisher("valves/schedule")
        self._events_out = contract.publisher("/plan/events")
        self._heard_at = time.monotonic()
        self._silent = True
        contract.subscribe_records("odometry", self._on_odometry)
        contract.subscribe_records("wrench", self._on_wrench)
        if self._by_reports:
            contract.subscribe("valves/state", self._reports.hear)
        if not contract.lockstep:
            self.create_timer(DEADMAN_SECONDS / 5, self._watch)
        self.create_service(Trigger, "identity", self._identify)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_odometry(self, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        forget_before(self._odometry, stamp - KEPT_NS)
        self._odometry[stamp] = record
        self._follower.poll()

    def _on_wrench(self, record: NDArray[np.void]) -> None:
        self._heard_at, self._silent = time.monotonic(), False
        stamp = int(record[0]["stamp"])
        if self._periods.starts(stamp):
            forget_before(self._wrenches, stamp)
            self._wrenches[stamp] = record
            self._follower.begin(stamp)

    def _needed(self, stamp: int) -> Needed:
        """The odometry that the wrench answers, valves, what was heard of partners, the plan's state before it."""
        yield self._odometry, stamp
        if self._by_reports:
            yield self._reports.inbox, stamp
        yield from self._partners.needed(stamp)
        if stamp > LOCKSTEP_START_NS:
            yield from self._plan.needed(stamp)

    def _work(self, stamp: int) -> None:
        state = self._plan.in_force(stamp)
        permitted = self.holder.may_fire(stamp, state)
        partners = self._partners.newest(stamp)
        for record in self._reports.until(stamp):
            self._driver.accept_report(record)
        self._driver.step(self._odometry_at(stamp), self._wrenches[stamp], permitted, self._schedule, partners)
        self._follower.publish(self._schedule_out, convert.schedule_to_message(self._schedule[0], self._valve_names))
        run, attempt = (state["run"], state["attempt"]) if state else ("", 0)
        name = self._contract.vehicle.name
        for concern in self._driver.concerns:
            event = separation_event(name, self._partners.names, concern, run, attempt)
            self._tell(event, told_separation(event.data))
        for verdict in self._driver.news:
            event = guard_event(name, verdict, run, attempt)
            self.holder.values |= {f"refused, {one.name.lower()}": str(n) for one, n in self._driver.refused.items()}
            self._tell(event, told_guard(event.data))
        for finding in self._driver.findings:
            event = valve_event(name, self._valve_names, finding, run, attempt)
            self._tell(event, told_valve(event.data))

    def _tell(self, event: Event, text: str) -> None:
        """What filter, guard or the watch on the valves says, as an event and as a line of `/diagnostics`."""
        self._follower.publish(self._events_out, String(data=event.to_json()))
        self.holder.report(DiagnosticStatus.OK if event.data["over"] else DiagnosticStatus.WARN, text)

    def _odometry_at(self, stamp: int) -> NDArray[np.void]:
        """The odometry of this stamp; on wall time, where it may be missing, the newest before it, else UNKNOWN."""
        stamps = [key for key in self._odometry if key <= stamp]
        return self._odometry[max(stamps)] if stamps else UNKNOWN

    def close(self) -> None:
        """Close all valves; the process ends."""
        if rclpy.ok():
            self._close_now()

    def _watch(self) -> None:
        """The deadman: close once when nobody says any more what to do."""
        if not self._silent and time.monotonic() - self._heard_at > DEADMAN_SECONDS:
            self._silent = True
            self._close_now()
            self.holder.report(DiagnosticStatus.WARN, f"no wrench for {DEADMAN_SECONDS} s: valves closed")

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
