"""A holder of valves on the graph: hears stop, release and the session's state, and says so in `/diagnostics`."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Final

from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from rclpy.lifecycle import LifecycleNode, LifecycleState, TransitionCallbackReturn
from std_msgs.msg import Bool, Header

from testbed.nodes.contract import Contract
from testbed.nodes.permission import Permission
from testbed.nodes.plan_state import ARRIVED
from testbed.nodes.topics import to_nanoseconds, to_time

PERIOD: Final = 1.0
"""Seconds between two reports where nothing changes."""


class Holder:
    """Keeps one Permission for a lifecycle node and closes its valves the moment a stop arrives."""

    def __init__(self, node: LifecycleNode, contract: Contract, close: Callable[[], None]) -> None:
        self.permission = Permission(latched_at=time.time_ns())
        self._node = node
        self._close = close
        self._lockstep = contract.lockstep
        self._said = (DiagnosticStatus.OK, "stopped until released")
        self.values: dict[str, str] = {}
        """What else to say on `/diagnostics`, by name."""
        self._diagnostics = contract.publisher("/diagnostics")
        node.create_timer(PERIOD, lambda: self._publish(*self._said))
        contract.subscribe("/stop", self._on_stop)
        contract.subscribe("/release", self._on_release)

    def may_fire(self, stamp: int, state: dict[str, Any] | None) -> bool:
        """Whether valves may be open at this tick, given the session's state in force.

        The age of the state counts in emulated time in lockstep, on the monotonic clock on wall time.
        """
        if state is None:
            return False
        self.permission.hear_state(bool(state["permit"]), int(state["stamp" if self._lockstep else ARRIVED]))
        return self.permission.may_fire(stamp if self._lockstep else time.monotonic_ns())

    def activate(self) -> TransitionCallbackReturn:
        """Allowed to open valves from now on; refused while stopped, because after a stop the release comes first."""
        if not self.permission.activate():
            self.report(DiagnosticStatus.WARN, "stopped: not activated before it is released")
            return TransitionCallbackReturn.FAILURE
        self.report(DiagnosticStatus.OK, "active")
        return TransitionCallbackReturn.SUCCESS

    def deactivate(self) -> None:
        """Close and stay closed until the next activation."""
        self.permission.deactivate()
        self._close()

    def _on_stop(self, message: Bool) -> None:
        if message.data:
            self.stop("stopped")

    def stop(self, why: str) -> None:
        """Latch a stop, close, go INACTIVE, and say so; said again while stopped it only renews the latch."""
        again = self.permission.stopped
        self.permission.stop(time.time_ns())
        self._close()
        if again:
            return
        if self._node._state_machine.current_state[1] == "active":
            self._node.trigger_deactivate()
        self.report(DiagnosticStatus.ERROR, f"{why}: valves closed, inactive")

    def _on_release(self, message: Header) -> None:
        """Clear the latch; said again each time, because whoever releases may have missed it."""
        self.permission.release(to_nanoseconds(message.stamp))
        if not self.permission.stopped:
            self.report(DiagnosticStatus.OK, f"released by {message.frame_id}")

    def report(self, level: bytes, text: str) -> None:
        """Say on `/diagnostics` how this holder stands, now and then once a second."""
        self._said = (level, text)
        self._publish(level, text)

    def _publish(self, level: bytes, text: str) -> None:
        name = self._node.get_fully_qualified_name()
        values = [
            KeyValue(key="state", value=self._node._state_machine.current_state[1]),
            KeyValue(key="active", value=str(self.permission.active)),
            KeyValue(key="stopped", value=str(self.permission.stopped)),
            *(KeyValue(key=key, value=value) for key, value in self.values.items()),
        ]
        status = DiagnosticStatus(level=level, name=name, message=text, values=values)
        message = DiagnosticArray(header=Header(stamp=to_time(time.time_ns())), status=[status])
        self._diagnostics.publish(message)


class HolderNode(LifecycleNode):
    """A lifecycle node that holds valves: it may open them while active; each gives itself its `holder`."""

    holder: Holder

    def on_activate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Allowed to open valves from now on, if not stopped."""
        return self.holder.activate()

    def on_deactivate(self, state: LifecycleState) -> TransitionCallbackReturn:
        """Close and stay closed."""
        self.holder.deactivate()
        return TransitionCallbackReturn.SUCCESS

    on_shutdown = on_deactivate
    on_error = on_deactivate
