"""What a node says before it dies of its user's own class: who failed and why, as an event that is recorded."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from rclpy.duration import Duration
from std_msgs.msg import String

from testbed.flight.own import OwnPartError
from testbed.nodes.contract import VehicleContract
from testbed.plan.commands import Event

KIND: Final = "own_part_failed"
LAST_WORD: Final = Duration(seconds=0.5)
"""Longest wait until everybody has heard the event; the process's end then stops the whole session."""


class OwnFailures:
    """Tells the failure of a user's own class on `/plan/events`; import path None, ours: does nothing."""

    def __init__(self, contract: VehicleContract, import_path: str | None) -> None:
        self._out = contract.publisher("/plan/events") if import_path is not None else None
        self._vehicle = contract.vehicle.name

    @contextmanager
    def told(self, stamp: int) -> Iterator[None]:
        """Tell an OwnPartError at the tick `stamp` (ns) and let it pass, so that the process ends."""
        try:
            yield
        except OwnPartError as error:
            if self._out is not None:
                event = Event(stamp, KIND, "", 0, {"vehicle": self._vehicle, "text": str(error)})
                self._out.publish(String(data=event.to_json()))
                self._out.wait_for_all_acked(LAST_WORD)
            raise
