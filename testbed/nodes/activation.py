"""Readies a session: every holder of valves configured, released after the operator's word and active; all recorded."""

from __future__ import annotations

import time
from typing import Final

from diagnostic_msgs.msg import DiagnosticArray
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from rclpy.node import Node
from rclpy.task import Future
from std_msgs.msg import Header

from testbed.nodes.contract import Contract
from testbed.nodes.topics import to_time
from testbed.plan.configuration import Configuration

CONFIGURED: Final = ("inactive", "active")
"""States of the lifecycle that a holder reaches only when it has been configured."""
PERIOD: Final = 0.05
"""Seconds between looks at what is still to be done."""
RECORDER: Final = "/recorder"
"""Name of the recorder in `/diagnostics`, where `unheard` says what it does not hear yet."""
PATIENCE: Final = 3.0
"""Seconds until a transition that nobody has answered is asked for again."""
UNSEEN: Final = 15.0
"""Seconds until a service is asked that is not seen: Fast DDS may deny for long that it is there, as it also counts
what others have left behind. Whoever is asked too early may do it without being heard, and is asked twice."""


class Activation:
    """Brings the plant and every thruster driver to ACTIVE, once the operator has released them.

    A holder counts as active when it says so itself in `/diagnostics`; until then it is asked again.
    """

    def __init__(self, node: Node, configuration: Configuration, contract: Contract) -> None:
        self._unheard = "everything" if contract.launched else ""
        self._holders = ["/plant", *(f"/{name}/thruster_driver" for name in configuration.vehicles)]
        self._clients = {name: node.create_client(ChangeState, f"{name}/change_state") for name in self._holders}
        self._configured: set[str] = set()
        self._released: set[str] = set()
        self._active: set[str] = set()
        self._asked: dict[str, float] = {}
        self._since = time.monotonic()
        self._release_wanted, self._word = False, 0
        self._release_out = contract.publisher("/release")
        contract.subscribe("/diagnostics", self._on_diagnostics)
        node.create_timer(PERIOD, self._look)

    @property
    def complete(self) -> bool:
        """Whether all holders are released and active, and a recorder hears everything."""
        return self._all_active and not self._unheard

    @property
    def _all_active(self) -> bool:
        return set(self._holders) <= self._active & self._released

    @property
    def reason(self) -> str:
        """Who is still missing, empty if nobody."""
        for text, done in (
            ("not configured", self._configured),
            ("waiting for release", self._released),
            ("not active", self._active),
        ):
            missing = [name for name in self._holders if name not in done]
            if missing:
                return f"{text}: {', '.join(missing)}"
        return f"the recorder does not hear {self._unheard} yet" if self._unheard else ""

    def release(self) -> bool:
        """The operator has given the word: release every holder, then activate it. Refused before all are configured.

        The word counts from now: a holder that is stopped later stays so, however often the word is passed on.
        """
        if not set(self._holders) <= self._configured:
            return False
        self._release_wanted, self._word = True, time.time_ns()
        self._released.clear()
        self._active.clear()
        return True

    def stop(self) -> None:
        """A stop was given: nothing is released or activated again without the operator's word."""
        self._release_wanted = False
        self._released.clear()
        self._active.clear()

    def _look(self) -> None:
        if self._all_active:
            return
        now = time.monotonic()
        for name in self._holders:
            seen = self._clients[name].service_is_ready()
            asked = self._asked.get(name, 0.0 if seen else self._since)
            if now - asked < (PATIENCE if seen else UNSEEN):
                continue
            if name not in self._configured:
                self._ask(name, Transition.TRANSITION_CONFIGURE)
            elif name in self._released and name not in self._active:
                self._ask(name, Transition.TRANSITION_ACTIVATE)
        waiting = [name for name in self._holders if name in self._configured and name not in self._released]
        if self._release_wanted and waiting and now - self._asked.get("release", 0.0) > 4 * PERIOD:
            self._asked["release"] = now
            self._release_out.publish(Header(stamp=to_time(self._word), frame_id="operator"))

    def _ask(self, name: str, transition: int) -> None:
        self._asked[name] = time.monotonic()
        request = ChangeState.Request(transition=Transition(id=transition))
        self._clients[name].call_async(request).add_done_callback(
            lambda future, name=name, transition=transition: self._answered(name, transition, future)
        )

    def _answered(self, name: str, transition: int, future: Future) -> None:
        """Configuring fails only where it is done already and the first answer was lost."""
        if transition == Transition.TRANSITION_CONFIGURE:
            self._configured.add(name)
        elif future.result().success and name in self._released:
            self._active.add(name)
        else:
            return
        self._asked.pop(name, None)
        self._look()

    def _on_diagnostics(self, message: DiagnosticArray) -> None:
        """A holder tells how it stands: released or stopped, active or not; the recorder, what it does not hear yet."""
        for status in message.status:
            values = {value.key: value.value for value in status.values}
            if values.get("state") in CONFIGURED:  # also where the answer to the question is late or lost
                self._configured.add(status.name)
            if status.name == RECORDER:
                self._unheard = values["unheard"]
            elif status.name in self._holders and values["stopped"] == "True":
                if status.name in self._released:
                    self.stop()
            elif status.name in self._holders:
                self._released.add(status.name)
                if values["active"] == "True":
                    self._active.add(status.name)
        self._look()
