"""What is broken in the plant: the plan's faults in force, and those set live through the node's parameter `faults`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from rcl_interfaces.msg import ParameterDescriptor, ParameterType, SetParametersResult
from rclpy.node import Node
from rclpy.parameter import Parameter
from std_msgs.msg import String

from testbed.description.faults import Fault, from_words, in_words
from testbed.model.faults import Faults
from testbed.nodes.contract import Contract
from testbed.plan.checks.faults import unknown_part
from testbed.plan.commands import Event
from testbed.plan.configuration import Configuration

PARAMETER: Final = "faults"


class BrokenParts:
    """Applies all that is broken at the beginning of each tick.

    The parameter is a list of faults in words (description/faults.py), such as `valve_stuck_open wren back_left_side`;
    it can be set at any time and holds until it is set again. What it changes is told on `/plan/events`.
    """

    def __init__(self, node: Node, configuration: Configuration, contract: Contract, faults: Faults) -> None:
        self._configuration = configuration
        self._faults = faults
        self._asked: tuple[Fault, ...] = ()
        self._live: tuple[Fault, ...] = ()
        self._events_out = contract.publisher("/plan/events")
        node.add_on_set_parameters_callback(self._on_set)
        about = "What is broken now, such as ['valve_stuck_open wren back_left_side']; [''] for nothing"
        kind = ParameterDescriptor(type=ParameterType.PARAMETER_STRING_ARRAY, description=about)
        node.declare_parameter(PARAMETER, [""], kind)

    def take(self, state: dict[str, Any] | None, stamp: int) -> None:
        """Apply what is in force from the tick at `stamp` on, given the session's state in force."""
        if self._asked != self._live:
            self._tell(state, stamp)
            self._live = self._asked
        planned = self._configuration.plan.faults_of(state["run"]) if state else ()
        indices = state["faults"] if state else ()
        self._faults.apply([*(planned[index] for index in indices if index < len(planned)), *self._live], stamp)

    def _on_set(self, parameters: Sequence[Parameter]) -> SetParametersResult:
        for parameter in parameters:
            if parameter.name == PARAMETER:
                try:
                    self._asked = tuple(self._read(text) for text in parameter.value or () if text.strip())
                except ValueError as error:
                    return SetParametersResult(successful=False, reason=str(error))
        return SetParametersResult(successful=True)

    def _read(self, text: str) -> Fault:
        fault = from_words(text)
        if (unknown := unknown_part(self._configuration, fault)) is not None:
            field, value, allowed = unknown
            raise ValueError(f"{text!r}: {field} is {value!r}, allowed: {allowed}")
        return fault

    def _tell(self, state: dict[str, Any] | None, stamp: int) -> None:
        run, attempt = (state["run"], state["attempt"]) if state else ("", 0)
        changes = [("fault_over", fault) for fault in self._live if fault not in self._asked]
        changes += [("fault_began", fault) for fault in self._asked if fault not in self._live]
        for kind, fault in changes:
            event = Event(stamp, kind, run, attempt, {"fault": in_words(fault), "live": True})
            self._events_out.publish(String(data=event.to_json()))
