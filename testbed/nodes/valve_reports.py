"""Reports of which valves are open, as whoever hears `valves/state` keeps them until their tick."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray
from sensor_msgs.msg import JointState

from testbed.description import messages
from testbed.nodes import convert
from testbed.nodes.follower import Inbox


class ValveReports:
    """One messages.VALVES, shape (1,), by its stamp in `inbox`. What cannot be read is complained of and left out."""

    def __init__(self, valves: list[str], complain: Callable[[str], object], arrived: Callable[[], None]) -> None:
        self.inbox: Inbox = {}
        self._valves, self._complain, self._arrived = valves, complain, arrived

    def hear(self, message: JointState) -> None:
        """Keep a message of the row."""
        record = np.zeros(1, messages.VALVES)
        try:
            convert.valves_from_message(message, self._valves, record[0])
        except ValueError as error:
            self._complain(str(error))
            return
        self.inbox[int(record[0]["stamp"])] = record
        self._arrived()

    def until(self, stamp: int) -> Iterator[NDArray[np.void]]:
        """Hand out those up to `stamp` ns, in their order."""
        for key in sorted(key for key in self.inbox if key <= stamp):
            yield self.inbox.pop(key)
