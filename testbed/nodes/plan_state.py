"""What a node remembers of `/plan/state`: which maneuver and place are in force, and the permission to fire."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any, Final

from testbed.description.messages import PERIOD_NS, TICK_NS
from testbed.nodes.contract import Contract
from testbed.nodes.follower import Inbox, Needed, forget_before

ARRIVED: Final = "arrived"
"""Key of a state under which it says when it arrived here first, on the monotonic clock, ns."""


class PlanStates:
    """The newest states by stamp.

    In lockstep the state of a tick is in force from the next tick on, so a node waits for the newest one that is older
    than its tick. On wall time the newest that has arrived counts.
    """

    def __init__(self, contract: Contract, arrived: Callable[[], None]) -> None:
        self._lockstep = contract.lockstep
        self._states: Inbox = {}
        self._arrived = arrived
        contract.subscribe_text("/plan/state", _read, self._on_state)

    @property
    def heard(self) -> bool:
        """Whether any state has arrived."""
        return bool(self._states)

    def needed(self, stamp: int) -> Needed:
        """The state that is in force at this tick."""
        period = PERIOD_NS["/plan/state"]
        return [(self._states, (stamp - TICK_NS) // period * period)]

    def in_force(self, stamp: int) -> dict[str, Any] | None:
        """The state in force at this tick, None before the first."""
        stamps = [key for key in self._states if key < stamp or not self._lockstep]
        return self._states[max(stamps)] if stamps else None

    def at(self, stamp: int) -> dict[str, Any] | None:
        """The state sent at this very tick, None if it has not arrived."""
        return self._states.get(stamp)

    def maneuver_number(self, stamp: int, vehicle: str) -> int:
        """Number of the maneuver in force for a vehicle, 0 if none."""
        state = self.in_force(stamp)
        return int(state["maneuvers"].get(vehicle, 0)) if state else 0

    def _on_state(self, state: dict[str, Any]) -> None:
        stamp = state["stamp"]
        forget_before(self._states, stamp - 2 * PERIOD_NS["/plan/state"])
        self._states.setdefault(stamp, state | {ARRIVED: time.monotonic_ns()})  # one sent again is no fresher
        self._arrived()


def _read(text: str) -> dict[str, Any]:
    """The message on `/plan/state`; ValueError, KeyError, TypeError or AttributeError if it is none."""
    state = json.loads(text)
    numbers = {part: {str(name): int(n) for name, n in state[part].items()} for part in ("maneuvers", "places")}
    at_hand: dict[str, Any] = {"run": str(state["run"]), "attempt": int(state["attempt"])}
    at_hand["faults"] = [int(index) for index in state.get("faults", ())]
    return {**state, **numbers, **at_hand, "stamp": int(state["stamp"]), "permit": state["permit"] is True}
