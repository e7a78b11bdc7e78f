"""Conductor node: readies the holders of valves, runs the plan's sequence, and says what it decides."""

from __future__ import annotations

import time
from collections.abc import Sequence as Arguments
from typing import Final

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus
from rclpy.node import Node
from rosgraph_msgs.msg import Clock
from std_msgs.msg import Bool, Header, String
from std_srvs.srv import Trigger

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS
from testbed.description.ticks import due
from testbed.nodes import convert, process
from testbed.nodes.activation import Activation
from testbed.nodes.contract import declare_configuration, session_contract
from testbed.nodes.follower import Follower, Needed
from testbed.nodes.gathering import Gathering
from testbed.nodes.topics import to_nanoseconds, to_time
from testbed.plan.commands import Commands, Event, SessionPhase
from testbed.plan.observation import Request, RequestKind
from testbed.plan.sequence import Sequence

REQUESTS: Final[tuple[RequestKind, ...]] = ("start", "end", "skip", "repeat", "hold")
"""Services `/plan/...` that become requests to the sequence as they are."""


class ConductorNode(Node):
    """Shell of plan.Sequence; works every 0.1 s, in lockstep at the ticks of the plant."""

    def __init__(self) -> None:
        super().__init__("conductor")
        self._configuration, self._lockstep = declare_configuration(self)
        contract = session_contract(self, self._configuration, self._lockstep)
        self._contract = contract
        self._sequence = Sequence(self._configuration)
        self._gathering = Gathering(self._configuration, contract, self._poll)
        self._activation = Activation(self, self._configuration, contract)
        self._requests: list[Request] = []
        self._started = False
        self._stamp, self._run, self._attempt = LOCKSTEP_START_NS, "", 0
        self._follower = Follower(self, contract, self._needed, self._work)
        self._state_out = contract.publisher("/plan/state")
        self._events_out = contract.publisher("/plan/events")
        self._diagnostics = contract.publisher("/diagnostics")
        self._maneuver_out = {name: contract.publisher("maneuver", name) for name in self._configuration.vehicles}
        self._place_out = {name: contract.publisher("place", name) for name in self._configuration.vehicles}
        self._configuration_out = contract.publisher("/plan/configuration")
        self._configuration_out.publish(String(data=self._configuration.to_json()))
        self.create_service(Trigger, "/plan/release", lambda _, response: self._on_release(response))
        for name in REQUESTS:
            self.create_service(
                Trigger, f"/plan/{name}", lambda _, response, name=name: self._on_request(name, response)
            )
        contract.subscribe("/stop", self._on_stop)
        if self._lockstep:
            contract.subscribe("/clock", self._on_clock)
        else:
            self.create_timer(PERIOD_NS["/plan/state"] / NS_PER_S, self._on_timer)

    def _poll(self) -> None:
        self._follower.poll()

    def _on_request(self, name: RequestKind, response: Trigger.Response) -> Trigger.Response:
        response.success = name != "start" or self._activation.complete
        response.message = f"{name}: passed on" if response.success else f"not ready: {self._activation.reason}"
        if response.success:
            self._tell_request(name)
        if response.success:
            self._requests.append(Request(name))
            self._started = self._started or name == "start"
            self._follower.poll()
        return response

    def _on_release(self, response: Trigger.Response) -> Trigger.Response:
        """After a hold: go on. Otherwise: release the holders of valves, at the start or after a stop."""
        if self._sequence.phase is SessionPhase.HELD:
            self._requests.append(Request("release"))
            response.success, response.message = True, "the hold is released"
        else:
            response.success = self._activation.release()
            told = "release given to every holder of valves"
            response.message = told if response.success else f"not yet: {self._activation.reason}"
        if response.success:
            self._tell_request("release")
        return response

    def _tell_request(self, name: str) -> None:
        """An event of the call of a service, so that the recording has it."""
        event = Event(self._stamp, "requested", self._run, self._attempt, {"service": f"/plan/{name}"})
        self._events_out.publish(String(data=event.to_json()))

    def _on_stop(self, message: Bool) -> None:
        """A stop ends the session, even one that has not started; only the operator's word releases again."""
        if message.data:
            self._activation.stop()
            self._requests.append(Request("stop"))
            self._started = True
            if self._lockstep:
                self._follower.poll()
            else:
                self._follower.begin(time.time_ns())  # the permission is withdrawn without waiting for the next step

    def _on_clock(self, message: Clock) -> None:
        stamp = to_nanoseconds(message.clock)
        if due(stamp, PERIOD_NS["/plan/state"]):
            self._follower.begin(stamp)

    def _on_timer(self) -> None:
        self._follower.begin(time.time_ns())

    def _needed(self, stamp: int) -> Needed:
        """Everything due up to this tick; the first tick waits for the operator's start."""
        if not self._started:
            yield {}, stamp
        yield from self._gathering.needed(stamp)

    def _work(self, stamp: int) -> None:
        requests, self._requests = tuple(self._requests), []
        ready = self._activation.complete and self._contract.connected()
        reason = self._activation.reason or ("" if ready else "not everybody hears the conductor yet")
        observation = self._gathering.observe(stamp, requests, ready, reason)
        commands = self._sequence.step(observation)
        self._stamp, self._run, self._attempt = stamp, commands.state.run, commands.state.attempt
        self._publish(stamp, commands)

    def _publish(self, stamp: int, commands: Commands) -> None:
        publish = self._follower.publish
        for name, place in commands.places.items():
            pose = convert.pose_stamped(stamp, self._configuration.place, place.position, place.orientation)
            publish(self._place_out[name], pose)
        for name, maneuver in commands.maneuvers.items():
            publish(self._maneuver_out[name], String(data=maneuver.model_dump_json()))
        for event in commands.events:
            publish(self._events_out, String(data=event.to_json()))
            if event.kind == "gas_warning":
                self._diagnostics.publish(self._warning(event))
        publish(self._state_out, String(data=commands.state.to_json()))

    def _warning(self, event: Event) -> DiagnosticArray:
        """An event that is a warning, as whoever watches `/diagnostics` sees it."""
        status = DiagnosticStatus(
            level=DiagnosticStatus.WARN, name=self.get_fully_qualified_name(), message=event.data["text"]
        )
        return DiagnosticArray(header=Header(stamp=to_time(event.stamp)), status=[status])


def main(arguments: Arguments[str] | None = None) -> int:
    """Run the conductor until it is told to end."""
    process.begin(arguments)
    process.spin([ConductorNode()])
    return 0
