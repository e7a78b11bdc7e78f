"""Guidance node: odometry and the plan's maneuver in, and in manual runs goals; wrench, reference and status out."""

from __future__ import annotations

from collections.abc import Sequence as Arguments
from functools import partial

import numpy as np
from geometry_msgs.msg import PoseStamped
from numpy.typing import NDArray
from rclpy.node import Node
from std_msgs.msg import String
from trajectory_msgs.msg import MultiDOFJointTrajectory

from testbed.description import messages
from testbed.description.maneuver import Maneuver
from testbed.description.messages import LOCKSTEP_START_NS, PERIOD_NS
from testbed.description.status import status_json
from testbed.description.ticks import due
from testbed.flight.guidance import Guidance
from testbed.nodes import convert, process
from testbed.nodes.contract import VehicleContract
from testbed.nodes.follower import Follower, Inbox, Needed, Slots, forget_before
from testbed.nodes.own_failures import OwnFailures
from testbed.nodes.plan_state import PlanStates
from testbed.nodes.wire import Encoder
from testbed.plan.manual import GoalRefusedError, goal_maneuver
from testbed.plan.own_parts import guidance_of


class GuidanceNode(Node):
    """Shell of flight.guidance.Guidance; works at the first odometry of each wrench period."""

    def __init__(self) -> None:
        super().__init__("guidance")
        self._contract = contract = VehicleContract(self)
        self._guidance = guidance_of(contract.configuration, contract.vehicle.name, contract.active_axes)
        self._failures = OwnFailures(contract, contract.vehicle.own.guidance)
        self._odometry: Inbox = {}
        self._disturbances: Inbox = {}
        self._maneuvers: Inbox = {}
        self._trajectories: Inbox = {}
        self._taken_trajectory, self._planned_at = -1, -1
        self._plan = PlanStates(contract, self._poll)
        self._number: int | None = None
        self._missed_try: tuple[str, int] | None = None
        self._phase = -1
        self._present: Maneuver | None = None
        self._goal: PoseStamped | None = None
        self._word = ""
        self._slots = Slots(PERIOD_NS["wrench"])
        self._reference_slots, self._status_slots = Slots(PERIOD_NS["reference"]), Slots(PERIOD_NS["maneuver/status"])
        self._follower = Follower(self, contract, self._needed, self._work)
        self._wrench, self._reference, self._status = (
            np.zeros(1, dtype) for dtype in (messages.WRENCH, messages.ODOMETRY, messages.STATUS)
        )
        self._undisturbed = np.zeros(1, messages.WRENCH)
        self._wrench_form = Encoder("wrench", contract.base_frame)
        self._reference_form = Encoder("reference", contract.configuration.place, contract.base_frame)
        self._wrench_out = contract.publisher("wrench")
        self._reference_out = contract.publisher("reference")
        self._status_out = contract.publisher("maneuver/status")
        contract.subscribe_records("odometry", self._on_odometry)
        contract.subscribe_records("estimate/disturbance", self._on_disturbance)
        contract.subscribe_text("maneuver", Maneuver.model_validate_json, self._on_maneuver)
        contract.subscribe("goal", self._on_goal)
        formations = contract.configuration.plan.formations.values()
        self._planned_for = any(contract.vehicle.name in one.vehicles for one in formations)
        if self._planned_for:
            contract.subscribe("trajectory", self._on_trajectory)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_odometry(self, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        if self._slots.starts(stamp):
            forget_before(self._odometry, stamp)
            self._odometry[stamp] = record
            self._follower.begin(stamp)

    def _on_disturbance(self, record: NDArray[np.void]) -> None:
        stamp = int(record[0]["stamp"])
        forget_before(self._disturbances, stamp)
        self._disturbances[stamp] = record
        self._follower.poll()

    def _on_maneuver(self, maneuver: Maneuver) -> None:
        self._maneuvers[maneuver.number] = maneuver
        self._follower.poll()

    def _on_trajectory(self, message: MultiDOFJointTrajectory) -> None:
        record, place = np.zeros(1, messages.TRAJECTORY), self._contract.configuration.place
        try:
            convert.trajectory_from_message(message, place, self._contract.base_frame, record[0])
        except ValueError as error:
            self.get_logger().warning(f"trajectory: {error}")
            return
        stamp = int(record[0]["stamp"])
        if stamp > self._taken_trajectory:  # otherwise sent again
            self._trajectories[stamp] = record
        self._follower.poll()

    def _on_goal(self, goal: PoseStamped) -> None:
        """A person's goal is due at no tick: it is looked at with the next one."""
        self._goal = goal

    def _needed(self, stamp: int) -> Needed:
        """The newest disturbance, the state of the plan before this tick, the maneuver that it names, what is planned.

        A trajectory is due from every planning tick at which the vehicle flew a formation.
        """
        yield self._disturbances, stamp - stamp % PERIOD_NS["estimate"]
        if stamp > LOCKSTEP_START_NS:
            yield from self._plan.needed(stamp)
            number = self._plan.maneuver_number(stamp, self._contract.vehicle.name)
            if number > (self._number or 0):
                yield self._maneuvers, number
        if self._planned_at > self._taken_trajectory:
            yield self._trajectories, self._planned_at

    def _work(self, stamp: int) -> None:
        with self._failures.told(stamp):
            self._guide(stamp)

    def _guide(self, stamp: int) -> None:
        self._take_trajectories(stamp)
        self._take_maneuver(stamp)
        if self._planned_for and self._in_formation and due(stamp, PERIOD_NS["trajectory"]):
            self._planned_at = stamp
        told = self._take_goal(stamp)
        disturbance = self._disturbances[max(self._disturbances)] if self._disturbances else self._undisturbed
        self._guidance.step(self._odometry[stamp], disturbance, self._wrench, self._reference, self._status)
        self._follower.publish(self._wrench_out, self._wrench_form.encode(stamp, self._wrench[0]))
        if self._reference_slots.starts(stamp):
            self._follower.aside(partial(self._publish_reference, self._reference[0].copy()))
        phase = int(self._status[0]["phase"])
        if self._status_slots.starts(stamp) or phase != self._phase or told:
            self._follower.aside(partial(self._publish_status, self._status[0].copy(), self._word))
        self._phase = phase

    def _publish_reference(self, reference: np.void) -> None:
        self._follower.publish(self._reference_out, self._reference_form.encode(int(reference["stamp"]), reference))

    def _publish_status(self, status: np.void, word: str) -> None:
        self._follower.publish(self._status_out, String(data=status_json(status, word)))

    @property
    def _in_formation(self) -> bool:
        return self._present is not None and self._present.kind == "formation"

    def _take_trajectories(self, stamp: int) -> None:
        """Hand on what has been planned before this tick, in order."""
        for key in sorted(self._trajectories):
            if key < stamp or not self._contract.lockstep:
                self._taken_trajectory = key
                self._guidance.accept_trajectory(self._trajectories.pop(key))

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
                self._present, self._word = maneuver, ""
            self._number = number
            forget_before(self._maneuvers, number)

    def _take_goal(self, stamp: int) -> bool:
        """Go where a person says, if the run is manual and the goal is one; whether there was any."""
        goal, self._goal = self._goal, None
        if goal is None:
            return False
        at, turn = goal.pose.position, convert.quaternion_from_message(goal.pose.orientation)
        configuration, name = self._contract.configuration, self._contract.vehicle.name
        try:
            if self._present is None or stamp >= self._present.expiry:
                raise GoalRefusedError("no maneuver is in force")
            if not isinstance(self._guidance, Guidance):
                raise GoalRefusedError("the vehicle's own guidance takes no goals")
            frame, where = goal.header.frame_id, (at.x, at.y, at.z)
            move = goal_maneuver(configuration, name, self._present, frame, where, turn, stamp)
        except GoalRefusedError as error:
            self._word = f"refused: {error}"
            self.get_logger().warning(f"goal {self._word}")
        else:
            self._guidance.accept_goal(move.record())
            self._word = f"taken: x {at.x:g} m, y {at.y:g} m"
        return True


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the node in the namespace given by --ros-args -r __ns:=/NAME until told to end."""
    process.begin(arguments)
    process.spin([GuidanceNode()])
    return 0
