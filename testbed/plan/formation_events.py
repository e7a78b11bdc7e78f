"""What a formation's planner has done, as events of the session; and what it needs to know of a maneuver."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from testbed.description.maneuver import Maneuver
from testbed.flight.formation import Order, Outcome, Planned, Why
from testbed.plan.commands import Event

KIND = "formation"

_WHY = {
    Why.MEMBERS: "planned",
    Why.LAG: "planned anew",
    Why.FRAME: "planned anew, as the leader moves otherwise",
}
_OUTCOME = {Outcome.TOGETHER: "together", Outcome.IN_TURN: "in turn", Outcome.STAY: "stay"}


def order_of(maneuver: Maneuver | None) -> Order | None:
    """What a maneuver asks of the formation's planner; None for one of another kind."""
    if maneuver is None or maneuver.kind != "formation":
        return None
    return Order(maneuver.number, maneuver.start, maneuver.run, maneuver.attempt, maneuver.formation)


def formation_event(stamp: int, planned: Planned) -> Event:
    """The event of one plan, made at `stamp` ns: for whom, why, how it was found, how long it takes, how close."""
    data = {
        "formation": planned.formation,
        "why": str(planned.why),
        "vehicles": list(planned.vehicles),
        "lagging": list(planned.lagging),
        "outcome": _OUTCOME[planned.outcome],
        "begin": planned.begin,
        "duration": planned.duration,
        "separation": planned.separation if math.isfinite(planned.separation) else None,
        "tight": planned.tight,
    }
    return Event(stamp, KIND, planned.run, planned.attempt, data)


def told_formation(data: Mapping[str, Any]) -> str:
    """The data of such an event in a sentence."""
    who = f"formation {data['formation']} of {', '.join(data['vehicles'])}"
    why = _WHY[Why(data["why"])]
    if data["lagging"]:
        why += f" because {', '.join(data['lagging'])} lagged"
    if data["outcome"] == "stay":
        return f"{who} {why}: no way was found, all brake and stay"
    least = "" if data["separation"] is None else f", at least {data['separation']:.2f} m apart"
    return f"{who} {why}: {data['duration']:.0f} s{least}{', less than planned for' if data['tight'] else ''}"
