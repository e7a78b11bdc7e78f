"""What the guard has decided, as events of the session."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from testbed.description.messages import NS_PER_S
from testbed.flight.guard import Action, Objection
from testbed.plan.commands import Event

KIND = "guard"

_DONE = {Action.TRIMMED: "trimmed", Action.BRAKED: "braked", Action.CLOSED: "closed"}
_IN_WORDS = {
    Objection.NOT_FINITE: "a command that is not finite",
    Objection.ABSURD: "a command of absurd size",
    Objection.NO_FIX: "a command without a fix",
    Objection.SPEED: "the speed limit",
    Objection.SPIN: "the spin limit",
    Objection.CONTACT_ENERGY: "the contact energy limit",
    Objection.WORK_AREA: "the edge of the work area",
}
_DONE_IN_WORDS = {
    "trimmed": "took out what offends",
    "braked": "brakes",
    "closed": "closed the valves",
}


def guard_event(vehicle: str, verdict: np.void, run: str, attempt: int) -> Event:
    """The event of one guard.VERDICT: vehicle, what was asked, which limit, what was done, or that it is over."""
    data = {
        "vehicle": vehicle,
        "limit": Objection(verdict["objection"]).name.lower(),
        "done": _DONE[Action(verdict["action"])],
        "over": bool(verdict["over"]),
        "lasted": int(verdict["lasted"]) / NS_PER_S,
        "asked": [number(value) for value in verdict["asked"]],
    }
    return Event(int(verdict["stamp"]), KIND, run, attempt, data)


def told_guard(data: Mapping[str, Any]) -> str:
    """The data of such an event in a sentence."""
    about = _IN_WORDS[Objection[data["limit"].upper()]]
    if data["over"]:
        return f"the guard of {data['vehicle']} lets go: {about}, for {data['lasted']:.1f} s"
    return f"the guard of {data['vehicle']} {_DONE_IN_WORDS[data['done']]}: {about}"


def number(value: float) -> float | str:
    """A number as JSON can hold it, which knows none that are not finite."""
    return float(value) if math.isfinite(value) else str(value)
