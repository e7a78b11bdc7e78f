"""What formations' planners did in each try, in words."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby

from testbed.plan.commands import Event
from testbed.plan.formation_events import KIND, told_formation
from testbed.record.load import Recording

SHOWN = 12
"""Plans of one try that are listed; a vehicle that lags for long may be planned for again and again."""


@dataclass(frozen=True)
class Planning:
    """One plan: its stamp ns, the sentence that tells it, how vehicles move, and whether it is less than was wanted."""

    stamp: int
    text: str
    outcome: str
    lacking: bool


@dataclass(frozen=True)
class TryPlannings:
    """The first plans of a try, and how many more there were."""

    run: str
    attempt: int
    shown: tuple[Planning, ...]
    more: int


def plannings(recording: Recording) -> tuple[TryPlannings, ...]:
    """All plans of formations by try, in the order of the recording."""
    events = [event for event in recording.events if event.kind == KIND]
    tries = groupby(events, key=lambda event: (event.run, event.attempt))
    return tuple(_of_try(run, attempt, list(group)) for (run, attempt), group in tries)


def _of_try(run: str, attempt: int, events: list[Event]) -> TryPlannings:
    shown = tuple(_planning(event) for event in events[:SHOWN])
    return TryPlannings(run, attempt, shown, len(events) - len(shown))


def _planning(event: Event) -> Planning:
    outcome = str(event.data["outcome"])
    lacking = outcome == "stay" or bool(event.data["tight"])
    return Planning(event.stamp, told_formation(event.data), outcome, lacking)
