"""What the thruster driver has found out about its valves, as events of the session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from testbed.flight.stuck_valves import Condition
from testbed.plan.commands import Event

KIND = "valve"

_IN_WORDS = {
    "stuck_open": "{valve} of {vehicle} is stuck open: the others push against it",
    "stuck_closed": "{valve} of {vehicle} is stuck closed: the others do without it",
    "sound": "{valve} of {vehicle} does again as it is told",
}


def valve_event(vehicle: str, valves: Sequence[str], finding: np.void, run: str, attempt: int) -> Event:
    """The event of one stuck_valves.FINDING: vehicle, valve and its condition, and whether a trouble is over.

    valves: names of the vehicle's valves in the order of its file.
    """
    condition = Condition(finding["condition"])
    data = {
        "vehicle": vehicle,
        "valve": valves[int(finding["valve"])],
        "condition": condition.name.lower(),
        "over": condition is Condition.SOUND,
    }
    return Event(int(finding["stamp"]), KIND, run, attempt, data)


def told_valve(data: Mapping[str, Any]) -> str:
    """The data of such an event in a sentence."""
    return "valve " + _IN_WORDS[data["condition"]].format(**data)
