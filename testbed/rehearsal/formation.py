"""The formations' planner in the engine: asked at planning ticks while anybody flies a formation, or just has.

Order as on the graph: it works with the estimates of its tick and the maneuvers that are in force then, and guidance
has what it says from the next wrench on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from testbed.description.maneuver import Maneuver
from testbed.description.messages import PERIOD_NS
from testbed.description.ticks import due
from testbed.flight.formation import Formations, Order, Tasks
from testbed.plan.commands import Event
from testbed.plan.formation_events import formation_event, order_of

PERIOD: int = PERIOD_NS["trajectory"]


class FormationStep:
    """Who flies which formation, and what they are told. `sent`: the messages.TRAJECTORY of the last `take`, by name.

    `events`: what it has told about them since they were cleared.
    """

    def __init__(self, tasks: Tasks) -> None:
        self.formations = Formations(tasks)
        self._orders: dict[str, Order] = {}
        self._flown = False
        self._told: dict[str, tuple[int, int]] = {}
        self.sent: dict[str, NDArray[np.void]] = {}
        self.events: list[Event] = []

    def give(self, maneuvers: Mapping[str, Maneuver]) -> None:
        """Note the maneuvers that vehicles are given."""
        for name, maneuver in maneuvers.items():
            self._orders.pop(name, None)
            if (order := order_of(maneuver)) is not None:
                self._orders[name] = order

    def stretch(self, stamp: int, step: int, most: int) -> int:
        """How many of the next `most` steps of `step` ns after `stamp` may be taken before a planning tick is over."""
        if not (self._orders or self._flown):
            return most
        return min(most, -(-(stamp // PERIOD * PERIOD + PERIOD - stamp) // step))

    def take(self, stamp: int, odometry: Mapping[str, np.void]) -> Iterator[tuple[str, NDArray[np.void], bool]]:
        """If a planning tick is over at `stamp` ns: who is told what, given the estimates of that tick.

        And whether it is the same as before, but for its stamp.
        """
        self.sent = {}
        if due(stamp, PERIOD) and (self._orders or self._flown):
            self._flown = bool(self._orders)
            self.sent = self.formations.step(stamp, odometry, self._orders)
            self.events += [formation_event(stamp, planned) for planned in self.formations.news]
        for name, record in self.sent.items():
            one = record[0]
            begun = int(one["number"]), int(one["stamp"] + one["offset"][0])
            again = self._told.get(name) == begun and bool(one["count"])
            self._told[name] = begun
            yield name, record, again
