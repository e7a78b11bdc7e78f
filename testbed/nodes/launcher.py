"""A rehearsal on the live graph: starts the processes, watches them, stops everything when one dies, ends in order."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal

import rclpy
from diagnostic_msgs.msg import DiagnosticArray
from rclpy.node import Node
from std_msgs.msg import Bool, String
from std_srvs.srv import Trigger

from testbed.description.messages import NS_PER_S
from testbed.nodes import shared_memory
from testbed.nodes.activation import RECORDER, UNSEEN
from testbed.nodes.children import Children
from testbed.nodes.contract import session_contract
from testbed.nodes.process import make_executor
from testbed.nodes.roll_call import OVERDUE_PLANNING_NS
from testbed.plan.commands import Event, PlanState, SessionPhase
from testbed.plan.configuration import Configuration
from testbed.rehearsal.domain import free_domain

Layout = Literal["vehicle", "node"]
Ending = Literal["finished", "interrupted", "process died", "no answer"]

REQUESTS: Final = ("release", "start", "hold", "skip", "repeat", "end")
"""Services `/plan/...` of the conductor."""
MIDDLEWARE_VARIABLE: Final = "FASTDDS_DEFAULT_PROFILES_FILE"
MIDDLEWARE: Final = Path(__file__).with_name("middleware.xml")
"""What Fast DDS is told, unless the person who starts a session names a file of their own."""

STARTUP_SECONDS: Final = 60.0
STOP_SECONDS: Final = 1.5
"""How long vehicles are recorded coasting after a stop before the processes are ended."""
RECORD_SECONDS: Final = 4.0
"""Longest wait at the end of a session until the recorder has it all: a lost message is sent again well within this."""
COAST_SECONDS: Final = 3.0
"""The same after a process has died, when the conductor may be the one that is gone."""
SHOW_PERIOD: Final = 0.1
"""Seconds between two looks at the session."""
SILENCE_SECONDS: Final = 5.0
"""Silence of a running session's conductor after which it counts as hung; in lockstep a plan may come on top."""


@dataclass(frozen=True)
class Rehearsal:
    """What to run and how. speed: emulated over wall time, None for wall time itself, 0 for as fast as it goes."""

    plan: Path
    configuration: Configuration
    folder: Path
    speed: float | None
    layout: Layout = "vehicle"

    @property
    def lockstep(self) -> bool:
        """Whether time is that of `/clock`."""
        return self.speed is not None


@dataclass
class Progress:
    """What there is to show while it runs."""

    state: PlanState | None = None
    events: list[Event] = field(default_factory=list)


@dataclass(frozen=True)
class Outcome:
    """How the session ended; `died` names the process and how, where one died."""

    ending: Ending
    died: tuple[tuple[str, str], ...] = ()


class LauncherNode(Node):
    """Listens to the session and speaks for the operator: release, start, stop."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        super().__init__("launcher")
        self.declare_parameter("launched", False)
        contract = session_contract(self, rehearsal.configuration, rehearsal.lockstep)
        planned = rehearsal.lockstep and rehearsal.configuration.plan.formations
        self.silence = SILENCE_SECONDS + (OVERDUE_PLANNING_NS / NS_PER_S if planned else 0.0)
        self.progress = Progress()
        self.heard_at = time.monotonic()
        self.stop_given = False
        self._stop_out = contract.publisher("/stop")
        self._events_out = contract.publisher("/plan/events")
        contract.subscribe("/plan/state", self._on_state)
        contract.subscribe("/plan/events", self._on_event)
        contract.subscribe("/diagnostics", self._on_diagnostics)
        self._recorded_until, self._recorded_events = 0, 0
        self._calls = {name: self.create_client(Trigger, f"/plan/{name}") for name in REQUESTS}
        self._given: set[str] = set()
        self._asked: dict[str, float] = {}

    def begin(self) -> None:
        """Give release, then start, each until it is accepted; called over and over until the session runs."""
        for name in ("release", "start"):
            if name in self._given:
                continue
            now = time.monotonic()
            wait = 0.1 if self._calls[name].service_is_ready() else UNSEEN
            if now - self._asked.setdefault(name, now - 0.1) > wait:
                self._asked[name] = now
                future = self._calls[name].call_async(Trigger.Request())
                future.add_done_callback(lambda future, name=name: self._accepted(name, future.result()))
            return

    def ask(self, request: str) -> None:
        """Pass on what the operator asks for; a stop goes to the holders of valves without a detour."""
        if request == "stop":
            self.stop_given = True
            self.stop()
        elif request:
            self._calls[request].call_async(Trigger.Request())

    @property
    def begun(self) -> bool:
        """Whether the start has been accepted."""
        return "start" in self._given

    def stop(self) -> None:
        """Close all valves now."""
        self._stop_out.publish(Bool(data=True))

    def recorded(self, stamp: int) -> bool:
        """Whether the recorder has everything up to a stamp (ns), and as many events as were heard here."""
        return self._recorded_until >= stamp and self._recorded_events >= len(self.progress.events)

    def tell(self, kind: str, data: dict[str, Any]) -> None:
        """An event of ours, so that the recording has it."""
        state = self.progress.state
        stamp = state.stamp if state else time.time_ns()
        event = Event(stamp, kind, state.run if state else "", state.attempt if state else 0, data)
        self._events_out.publish(String(data=event.to_json()))

    def _accepted(self, name: str, response: Trigger.Response | None) -> None:
        if response is not None and response.success:
            self._given.add(name)
            self.heard_at = time.monotonic()

    def _on_state(self, message: String) -> None:
        self.progress.state = PlanState.from_json(message.data)
        self.heard_at = time.monotonic()

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        for status in message.status:
            if status.name == RECORDER:
                values = {one.key: int(one.value) for one in status.values if one.key in ("until", "events")}
                self._recorded_until, self._recorded_events = values["until"], values["events"]

    def _on_event(self, message: String) -> None:
        event = Event.from_json(message.data)
        if event not in self.progress.events:  # lockstep may repeat a message
            self.progress.events.append(event)


def rehearse(rehearsal: Rehearsal, show: Callable[[Progress], None], asked: Callable[[], str] = lambda: "") -> Outcome:
    """Run the session and leave the recording in the folder.

    `show` is called about ten times a second; `asked` tells what the operator has asked for since the last call: one of
    REQUESTS, stop, or nothing.
    """
    with free_domain() as domain:
        os.environ.update(session_environment(domain, rehearsal.folder))
        children = Children(rehearsal.folder, dict(os.environ), batch=rehearsal.lockstep)
        interrupted: list[int] = []
        previous = {
            number: signal.signal(number, lambda received, _: interrupted.append(received))
            for number in (signal.SIGINT, signal.SIGTERM)
        }
        try:
            start_processes(rehearsal, children)
            children.begin_together()
            rclpy.init(signal_handler_options=rclpy.signals.SignalHandlerOptions.NO)
            node = LauncherNode(rehearsal)
            shared_memory.note_own()
            return Watch(node, children, interrupted, show, asked).run()
        finally:
            if rehearsal.lockstep:
                children.end(["plant"])  # first, so that nobody is in the middle of answering a tick
            children.end(name for name in children.names if name != "recorder")
            children.close()
            rclpy.try_shutdown()
            shared_memory.remove_left_behind()
            for number, handler in previous.items():
                signal.signal(number, handler)


def session_environment(domain: int, folder: Path) -> dict[str, str]:
    """Environment of every process of a session: this machine only, its own domain."""
    return {
        "ROS_DOMAIN_ID": str(domain),
        "ROS_AUTOMATIC_DISCOVERY_RANGE": "LOCALHOST",
        "ROS_LOG_DIR": str(folder / "logs"),
        "PYTHONUNBUFFERED": "1",
        MIDDLEWARE_VARIABLE: os.environ.get(MIDDLEWARE_VARIABLE, str(MIDDLEWARE)),
    }


def start_processes(rehearsal: Rehearsal, children: Children) -> None:
    """Recorder first, so that it misses nothing; then vehicles, plant, formations' planner, conductor."""
    common = ["plan:=" + str(rehearsal.plan), f"seed:={rehearsal.configuration.seed}"]
    common += [f"lockstep:={'true' if rehearsal.lockstep else 'false'}", "launched:=true"]

    def parameters(*more: str) -> list[str]:
        return [part for one in (*common, *more) for part in ("-p", one)]

    recording = rehearsal.folder / "recording"
    children.start("recorder", "recorder", ["--ros-args", *parameters(f"folder:={recording}")])
    for name in rehearsal.configuration.vehicles:
        nodes = ("vehicle",) if rehearsal.layout == "vehicle" else ("estimator", "guidance", "thruster_driver")
        for node in nodes:
            process = name if node == "vehicle" else f"{name}-{node}"
            children.start(process, node, ["--ros-args", "-r", f"__ns:=/{name}", *parameters()])
    children.start("plant", "plant", ["--ros-args", *parameters(f"speed:={float(rehearsal.speed or 0.0)}")])
    if rehearsal.configuration.plan.formations:
        children.start("formation", "formation", ["--ros-args", *parameters()])
    children.start("conductor", "conductor", ["--ros-args", *parameters()])


class Watch:
    """Watches a running session until it is over, whatever ends it."""

    def __init__(
        self,
        node: LauncherNode,
        children: Children,
        interrupted: list[int],
        show: Callable[[Progress], None],
        asked: Callable[[], str],
    ) -> None:
        self._node, self._children, self._interrupted = node, children, interrupted
        self._show, self._asked = show, asked
        self._executor = make_executor()
        self._executor.add_node(node)
        self._next_show = 0.0

    def run(self) -> Outcome:
        """Release and start the session, pass on what the operator asks for, and return how it ended."""
        node = self._node
        while True:
            self._spin_once()
            if dead := self._children.newly_dead():
                node.stop()
                for name, how in dead:
                    node.tell("process_died", {"process": name, "how": how})
                self._coast(COAST_SECONDS)
                return Outcome("process died", (*dead, *self._children.newly_dead()))
            if self._interrupted:
                node.stop()
                node.tell("interrupted", {"signal": signal.Signals(self._interrupted[0]).name})
                self._coast(STOP_SECONDS)
                return Outcome("interrupted")
            if not node.begun and not node.stop_given:
                node.begin()
            node.ask(self._asked())
            if node.stop_given:
                self._coast(SHOW_PERIOD)
            state = node.progress.state
            if state is not None and state.phase in (SessionPhase.FINISHED, SessionPhase.STOPPED):
                if state.phase is SessionPhase.STOPPED:
                    self._coast(STOP_SECONDS)
                self._until_recorded(node.progress.state or state)
                return Outcome("finished")
            silence = node.silence if node.begun else STARTUP_SECONDS
            if time.monotonic() - node.heard_at > silence:
                node.stop()
                node.tell("no_answer", {"seconds": silence})
                self._coast(COAST_SECONDS)
                return Outcome("no answer")

    def _spin_once(self) -> None:
        self._executor.spin_once(timeout_sec=0.05)
        if time.monotonic() >= self._next_show:
            self._show(self._node.progress)
            self._next_show = time.monotonic() + SHOW_PERIOD

    def _coast(self, seconds: float) -> None:
        """Say stop again and again, and go on listening, so that screen and recording have where vehicles coast."""
        deadline, next_stop = time.monotonic() + seconds, 0.0
        while time.monotonic() < deadline:
            if time.monotonic() >= next_stop:
                self._node.stop()
                next_stop = time.monotonic() + SHOW_PERIOD
            self._spin_once()
        self._show(self._node.progress)

    def _until_recorded(self, last: PlanState) -> None:
        """Faster than real time, or on a busy machine, the recorder may be a little behind."""
        deadline = time.monotonic() + RECORD_SECONDS
        while not self._node.recorded(last.stamp) and time.monotonic() < deadline:
            self._spin_once()
        self._show(self._node.progress)
