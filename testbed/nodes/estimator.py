"""Estimator node: inertial data, ranges and valves, commanded or reported, in; odometry and the filter's health out."""

from __future__ import annotations

from collections.abc import Sequence as Arguments
from functools import partial

import numpy as np
from numpy.typing import NDArray
from rclpy.node import Node
from sensor_msgs.msg import PointCloud2, Temperature
from trajectory_msgs.msg import JointTrajectory

from testbed.description import messages
from testbed.description.air import kelvin
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS, TICK_NS
from testbed.description.ticks import due, last_schedule_due
from testbed.flight.estimation import Estimator
from testbed.nodes import convert, process
from testbed.nodes.contract import VehicleContract
from testbed.nodes.estimator_health import EstimatorHealth
from testbed.nodes.follower import Follower, Inbox, Needed, Slots
from testbed.nodes.own_failures import OwnFailures
from testbed.nodes.topics import to_nanoseconds
from testbed.nodes.transforms import Transforms
from testbed.nodes.valve_reports import ValveReports
from testbed.nodes.wire import Encoder
from testbed.plan.own_parts import estimator_of

Vector = NDArray[np.float64]
"""Three components."""


class EstimatorNode(Node):
    """Shell of flight.estimation.Estimator; works at each odometry tick."""

    def __init__(self) -> None:
        super().__init__("estimator")
        self._contract = contract = VehicleContract(self)
        configuration, vehicle = contract.configuration, contract.vehicle
        self._beacons = configuration.beacons
        self._estimator = estimator_of(configuration, vehicle.name, contract.active_axes)
        self._failures = OwnFailures(contract, vehicle.own.estimator)
        self._valve_names = [valve.name for valve in vehicle.thrusters.valves]
        self._lead = round(vehicle.thrusters.schedule_lead * messages.NS_PER_S)
        self._modulation = round(vehicle.thrusters.modulation_period * messages.NS_PER_S)
        self._imus: Inbox = {}
        self._ranges: Inbox = {}
        self._temperatures: Inbox = {}
        self._schedules: Inbox = {}
        self._reports = ValveReports(self._valve_names, self.get_logger().warning, self._poll)
        self._by_reports = vehicle.estimator.valve_forces == "reported"
        self._applied_schedule = 0
        self._slots = Slots(PERIOD_NS["odometry"])
        self._follower = Follower(self, contract, self._needed, self._work)
        self._odometry_out = contract.publisher("odometry")
        self._odometry_form = Encoder("odometry", configuration.place, contract.base_frame)
        self._transforms = Transforms(contract, configuration.place, contract.base_frame)
        self._bias_out = contract.publisher("estimate/bias")
        self._disturbance_out = contract.publisher("estimate/disturbance")
        self._disturbance_form = Encoder("estimate/disturbance", configuration.place)
        self._innovations_out = contract.publisher("estimate/innovations")
        self._health = EstimatorHealth(contract, self.get_fully_qualified_name())
        contract.subscribe_records("imu", self._on_imu)
        contract.subscribe("ranges", self._on_ranges)
        contract.subscribe("/air/temperature", self._on_temperature)
        contract.subscribe("valves/schedule", self._on_schedule)
        if self._by_reports:
            contract.subscribe("valves/state", self._reports.hear)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_imu(self, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        self._imus[stamp] = record
        if self._slots.starts(stamp):
            self._follower.begin(stamp)
        else:
            self._poll()

    def _on_ranges(self, message: PointCloud2) -> None:
        record = np.zeros(1, messages.RANGES)
        try:
            convert.ranges_from_message(message, record[0])
        except ValueError as error:
            self.get_logger().warning(str(error))
            return
        self._ranges[int(record[0]["stamp"])] = record
        self._poll()

    def _on_temperature(self, message: Temperature) -> None:
        self._temperatures[to_nanoseconds(message.header.stamp)] = kelvin(message.temperature)
        self._poll()

    def _on_schedule(self, message: JointTrajectory) -> None:
        record = np.zeros(1, messages.SCHEDULE)
        try:
            convert.schedule_from_message(message, self._valve_names, record[0])
        except ValueError:
            return  # refused by the plant, too, which says so
        stamp = int(record[0]["stamp"])
        if record[0]["count"] == 0:
            self._estimator.accept_schedule(record[0])
        elif stamp != self._applied_schedule:  # otherwise sent again
            self._schedules[stamp] = record
        self._poll()

    def _needed(self, stamp: int) -> Needed:
        """Everything due since the last odometry tick."""
        for tick in (stamp - TICK_NS, stamp):
            if tick >= LOCKSTEP_START_NS:
                yield self._imus, tick
                if self._by_reports:
                    yield self._reports.inbox, tick
                if self._beacons.ranges_due(tick, LOCKSTEP_START_NS):
                    yield self._ranges, tick - self._beacons.cycle_ns
                if due(tick, PERIOD_NS["/air/temperature"]):
                    yield self._temperatures, tick
        answered = last_schedule_due(stamp - TICK_NS, self._modulation)
        if answered >= LOCKSTEP_START_NS and answered + self._lead > self._applied_schedule:
            yield self._schedules, answered + self._lead

    def _work(self, stamp: int) -> None:
        with self._failures.told(stamp):
            self._estimate(stamp)

    def _estimate(self, stamp: int) -> None:
        for key in sorted(self._schedules):
            self._estimator.accept_schedule(self._schedules.pop(key)[0])
            self._applied_schedule = key
        for tick in sorted(key for key in self._imus if key <= stamp):
            self._accept_tick(tick)
        self._publish(stamp)

    def _accept_tick(self, tick: int) -> None:
        """Valves, temperature, inertial data and finished beacon cycle of one tick, in this order as in the engine."""
        if isinstance(self._estimator, Estimator):
            for record in self._reports.until(tick):
                self._estimator.accept_report(record[0])
        for key in sorted(key for key in self._temperatures if key <= tick):
            self._estimator.set_air_temperature(self._temperatures.pop(key))
        self._estimator.accept_imu(self._imus.pop(tick)[0])
        for pulse in sorted(key for key in self._ranges if key + self._beacons.cycle_ns <= tick):
            self._estimator.accept_ranges(self._ranges.pop(pulse)[0])

    def _publish(self, stamp: int) -> None:
        odometry = self._estimator.output(stamp)
        self._follower.publish(self._odometry_out, self._odometry_form.encode(stamp, odometry))
        self._follower.aside(partial(self._transforms.send, odometry.copy()))
        one = self._estimator
        state = one.state[0] if isinstance(one, Estimator) else None
        self._follower.aside(partial(self._health.send, odometry.copy(), state))
        if due(stamp, PERIOD_NS["estimate"]):
            disturbance = self._disturbance_form.encode(stamp, one.disturbance(stamp)[0])
            health = partial(self._publish_health, stamp, one.gyro_bias, disturbance, one.innovations())
            self._follower.aside(health)

    def _publish_health(self, stamp: int, bias: Vector, disturbance: bytes, innovations: NDArray[np.void]) -> None:
        publish, base = self._follower.publish, self._contract.base_frame
        publish(self._bias_out, convert.vector_to_message(stamp, bias, self._contract.frame("imu_link")))
        publish(self._disturbance_out, disturbance)
        publish(self._innovations_out, convert.innovations_to_message(stamp, base, innovations))


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the node in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    process.begin(arguments)
    process.spin([EstimatorNode()])
    return 0
