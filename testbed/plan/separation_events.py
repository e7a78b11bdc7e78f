"""What the safety filter has worried about, as events of the session."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from testbed.description.messages import NS_PER_S
from testbed.flight.separation import Action, Worry
from testbed.plan.commands import Event
from testbed.plan.guard_events import number

KIND = "separation"

_IN_WORDS = {
    Worry.NEAR: "the way asked for leads too near to {about}",
    Worry.LEANS: "no way out is left if {about} does not brake",
    Worry.UNSURE: "it is not sure enough where {about} is",
    Worry.UNHEARD: "nothing new is heard of {about}",
    Worry.BEYOND: "{about} moved as it could not",
    Worry.CLOSE: "{about} may come CLOSER than allowed",
}
_DONE_IN_WORDS = {
    "warned": "warns",
    "trimmed": "gives only part of what was asked",
    "braked": "brakes or holds the place",
    "evaded": "evades",
}


def separation_event(vehicle: str, partners: Sequence[str], concern: np.void, run: str, attempt: int) -> Event:
    """The event of one separation.NEWS: vehicle, worry, about whom, what was done, or that it is over.

    partners: names of the vehicle's partners in the order in which its filter knows them.
    """
    about = int(concern["about"])
    data = {
        "vehicle": vehicle,
        "worry": Worry(concern["objection"]).name.lower(),
        "about": partners[about] if about >= 0 else vehicle,
        "done": Action(concern["action"]).name.lower(),
        "over": bool(concern["over"]),
        "lasted": int(concern["lasted"]) / NS_PER_S,
        "asked": [number(value) for value in concern["asked"]],
    }
    return Event(int(concern["stamp"]), KIND, run, attempt, data)


def told_separation(data: Mapping[str, Any]) -> str:
    """The data of such an event in a sentence."""
    about = "it itself" if data["about"] == data["vehicle"] else data["about"]
    worry = _IN_WORDS[Worry[data["worry"].upper()]].format(about=about)
    if data["over"]:
        return f"the safety filter of {data['vehicle']} is content again: {worry}, for {data['lasted']:.1f} s"
    return f"the safety filter of {data['vehicle']} {_DONE_IN_WORDS[data['done']]}: {worry}"
