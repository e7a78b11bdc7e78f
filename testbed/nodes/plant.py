"""Plant node: emulated vehicles behind the topics, in step with their followers or on wall time."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Sequence as Arguments
from functools import partial

import numpy as np
import rclpy
from diagnostic_msgs.msg import DiagnosticStatus
from geometry_msgs.msg import PoseStamped
from std_msgs.msg import Bool
from trajectory_msgs.msg import JointTrajectory

from testbed.description import messages, ticks
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.model.faults import Faults
from testbed.model.schedule import Verdict
from testbed.nodes import convert, process
from testbed.nodes.active_axes import declare_active_axes
from testbed.nodes.broken_parts import BrokenParts
from testbed.nodes.contract import declare_configuration, session_contract
from testbed.nodes.follower import Inbox
from testbed.nodes.holder import Holder, HolderNode
from testbed.nodes.pace import Pace
from testbed.nodes.plan_state import PlanStates
from testbed.nodes.ports import PortCommands
from testbed.nodes.radio import RadioFeed
from testbed.nodes.roll_call import RollCall
from testbed.nodes.sensing import Sensing
from testbed.nodes.topics import to_nanoseconds
from testbed.nodes.wire import Encoder, read_header
from testbed.rehearsal.build import build_plant, build_radio

WALL_DEADMAN_NS = 500_000_000
"""Wall time without a fresh schedule after which the plant closes a vehicle's valves."""
ALONE_NS = 2 * NS_PER_S
"""How long the plant runs on alone after a follower has gone, so that the recording shows where things coast."""


class PlantNode(HolderNode):
    """Shell of model.Plant: one tick is sense, publish, wait for the followers (lockstep), take commands, advance."""

    def __init__(self) -> None:
        super().__init__("plant")
        configuration, self.lockstep = declare_configuration(self)
        self.declare_parameter("speed", 1.0)
        declare_active_axes(self, configuration)  # its model holds what the place holds
        self._contract = contract = session_contract(self, configuration, self.lockstep)
        self._names = list(configuration.vehicles)
        self._valve_names = [[v.name for v in one.thrusters.valves] for one in configuration.vehicles.values()]
        self._leads = [round(one.thrusters.schedule_lead * NS_PER_S) for one in configuration.vehicles.values()]
        self._plant, draws = build_plant(configuration)
        self._sensing = Sensing(configuration, self._plant, draws, contract)
        radio = build_radio(configuration)
        self._radio = RadioFeed(configuration, radio, draws, contract, self._sensing.send, self._touch)
        faults = Faults(self._plant, list(configuration.vehicles.values()))
        self._broken = BrokenParts(self, configuration, contract, faults)
        self._ports = PortCommands(self, configuration, self._plant, contract)
        self._plan = PlanStates(contract, self._touch)
        self.holder = Holder(self, contract, self._close_all)
        self._pace = Pace(self.lockstep, float(self.get_parameter("speed").value))
        self._roll = RollCall(configuration)
        self._schedules: list[Inbox] = [{} for _ in self._names]
        self._places: list[Inbox] = [{} for _ in self._names]
        self._taken_schedule, self._taken_place = [-1] * len(self._names), [-1] * len(self._names)
        self._placed: dict[str, int] = defaultdict(int)
        self._fresh_at = [time.monotonic_ns()] * len(self._names)
        self._alone_until: int | None = None
        self._changed = True
        self._stamp = 0
        for index, name in enumerate(self._names):
            contract.subscribe("valves/schedule", partial(self._on_schedule, index), name)
            contract.subscribe("place", partial(self._on_place, index), name)
        self._clock_out, self._clock_form = None, Encoder("/clock")
        if self.lockstep:
            self._clock_out = contract.publisher("/clock")
            contract.subscribe("/clock/done", self._on_done, raw=True)
        self._stop_out = contract.publisher("/stop")

    # --- arrivals -----------------------------------------------------------------------------------------------------

    def _touch(self) -> None:
        self._changed = True

    def _on_done(self, data: bytes) -> None:
        stamp, follower = read_header(data)
        self._roll.answer(follower, stamp)
        self._changed = True

    def _on_schedule(self, index: int, message: JointTrajectory) -> None:
        record = np.zeros(1, messages.SCHEDULE)
        try:
            convert.schedule_from_message(message, self._valve_names[index], record[0])
        except ValueError as error:
            self.get_logger().warning(f"{self._names[index]}: {error}")
            return
        stamp = int(record[0]["stamp"])
        if record[0]["count"] == 0:
            self._plant.close_valves(index, self._stamp)
        elif not self.lockstep or stamp != self._taken_schedule[index]:  # otherwise sent again
            self._schedules[index][stamp] = record
        self._changed = True

    def _on_place(self, index: int, message: PoseStamped) -> None:
        stamp = to_nanoseconds(message.header.stamp)
        if not self.lockstep or stamp != self._taken_place[index]:  # otherwise sent again
            self._places[index][stamp] = message.pose
        self._changed = True

    def _close_all(self) -> None:
        for index in range(len(self._names)):
            self._plant.close_valves(index, self._stamp)

    def close(self) -> None:
        """Close all valves and say so; the process ends."""
        self._close_all()
        self._sensing.close()
        if self._stamp and rclpy.ok():
            self._sensing.advance(self._stamp)
            for index in range(len(self._names)):
                self._sensing.publish_valves(index, self._stamp + TICK_NS)

    # --- ticking ----------------------------------------------------------------------------------------------------

    def poll(self) -> None:
        """Advance as far as time and followers allow."""
        if self._stamp == 0:
            if self.lockstep and not self._contract.connected():
                return
            self._stamp = self._pace.begin()
            self._sensing.begin(self._stamp)
            self._show()
        self._watch()
        while self._pace.reached(self._stamp + TICK_NS) and self._complete():
            self._advance()
            self._show()

    def wait(self) -> float:
        """Longest wait before the next poll, s."""
        return self._pace.wait(self._stamp + TICK_NS) if self._changed or not self.lockstep else 0.02

    def _show(self) -> None:
        """Sense and publish the tick that has been reached."""
        self._sensing.publish(self._stamp)
        self._radio.publish(self._stamp)
        if self._clock_out is not None:
            self._clock_out.publish(self._clock_form.encode(self._stamp))
            self._roll.call(self._stamp, time.monotonic_ns())
        self._changed = True

    def _complete(self) -> bool:
        """Whether everything due at this tick is in (always, on wall time or alone)."""
        if not self.lockstep or self._alone_until is not None:
            return self._alone_until is None or self._stamp < self._alone_until
        self._changed = False
        if not self._roll.complete() or not self._radio.complete(self._stamp):
            return False
        if ticks.due(self._stamp, messages.PERIOD_NS["/plan/state"]):
            state = self._plan.at(self._stamp)
            if state is None or any(
                number > self._placed[name] and self._stamp not in self._places[self._names.index(name)]
                for name, number in state["places"].items()
            ):
                return False
        return all(
            self._stamp + lead in inbox
            for index, (lead, inbox) in enumerate(zip(self._leads, self._schedules, strict=True))
            if self._roll.schedule_due(index, self._stamp)
        )

    def _advance(self) -> None:
        state = self._plan.in_force(self._stamp + TICK_NS)
        self._broken.take(state, self._stamp)
        self._take_places(state)
        self._radio.take(self._stamp)
        self._ports.take(self._stamp)
        fire = self.holder.may_fire(self._stamp, state)
        for index, inbox in enumerate(self._schedules):
            for key in sorted(inbox):
                schedule = inbox.pop(key)[0]
                if not fire or self._offer(index, schedule):
                    self._taken_schedule[index] = key
            if not fire:
                self._plant.close_valves(index, self._stamp)
        self._sensing.advance(self._stamp)
        self._stamp += TICK_NS

    def _offer(self, index: int, schedule: np.void) -> bool:
        """Offer a schedule to the valves; a refusal is counted, and said on `/diagnostics`."""
        verdict = self._plant.accept_schedule(index, schedule, self._stamp)
        if verdict is Verdict.ACCEPTED:
            self._fresh_at[index] = time.monotonic_ns()
            return True
        count = int(self._plant.states[index]["verdicts"][verdict])
        reason = verdict.name.lower().replace("_", " ")
        self.holder.report(DiagnosticStatus.WARN, f"{self._names[index]}: schedule refused, {reason}; {count} so far")
        return False

    def _take_places(self, state: dict | None) -> None:
        for index, name in enumerate(self._names):
            for key in sorted(self._places[index]):
                pose = self._places[index].pop(key)
                self._taken_place[index] = key
                position = np.array([pose.position.x, pose.position.y, pose.position.z])
                orientation = np.array(convert.quaternion_from_message(pose.orientation))
                self._plant.place(index, position, orientation, self._stamp)
            if state is not None:
                self._placed[name] = max(self._placed[name], int(state["places"].get(name, 0)))

    def _watch(self) -> None:
        """Close valves whose schedules have dried up; in lockstep repeat an unanswered tick, then give up on it."""
        now = time.monotonic_ns()
        if self.lockstep and self._roll.planning:  # time stands still meanwhile, and nobody is silent
            self._fresh_at = [now] * len(self._names)
        for index, fresh in enumerate(self._fresh_at):
            if now - fresh > WALL_DEADMAN_NS and bool(self._plant.states[index]["commanded"]):
                self._plant.close_valves(index, self._stamp)
                self.holder.report(
                    DiagnosticStatus.ERROR, f"{self._names[index]}: no schedule for 0.5 s, valves closed"
                )
        if not self.lockstep or self._alone_until is not None:
            return
        if self._roll.repeat_due(now):
            self._sensing.repeat(self._roll.missing())
            if self._clock_out is not None:
                self._clock_out.publish(self._clock_form.encode(self._stamp))
        if self._roll.overdue(now, first=self._stamp == LOCKSTEP_START_NS):
            text = f"tick {self._stamp / NS_PER_S:.2f} s unanswered by {', '.join(sorted(self._roll.missing()))}"
            self.get_logger().error(text)
            self.holder.stop(text)
            self._stop_out.publish(Bool(data=True))
            for inbox in self._schedules:
                inbox.clear()
            self._alone_until = self._stamp + ALONE_NS


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the plant until told to end."""
    process.begin(arguments)
    node = PlantNode()
    process.spin([node], timeout=node.wait, poll=node.poll, at_end=node.close)
    return 0
