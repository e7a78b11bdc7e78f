"""Events of formations' planners in a recording that has none, for the tests of the report."""

from dataclasses import replace

from testbed.description.messages import NS_PER_S
from testbed.flight.formation import Outcome, Planned, Why
from testbed.plan.formation_events import formation_event


def planned(recording, seconds, attempt=1, **changes):
    """What a planner tells of one plan, so many s after the start; it begins half a second later."""
    stamp = recording.start + round(seconds * NS_PER_S)
    given = {
        "run": "hold", "attempt": attempt, "formation": "wall", "why": Why.MEMBERS, "vehicles": ("wren", "siskin"),
        "lagging": (), "outcome": Outcome.TOGETHER, "begin": stamp + NS_PER_S // 2, "duration": 31.4,
        "separation": 0.641, "tight": False,
    }  # fmt: skip
    return formation_event(stamp, Planned(**(given | changes)))


def with_events(recording, events):
    """The same recording with more events, in order."""
    return replace(recording, events=tuple(sorted((*recording.events, *events), key=lambda event: event.stamp)))
