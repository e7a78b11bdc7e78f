"""Many messages of one topic, already in CDR, framed as MCAP records all at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from mcap.opcode import Opcode
from numpy.typing import NDArray

from testbed.record.container import MESSAGE_HEADER, MESSAGE_REST

FRAME: Final = np.dtype(
    [
        ("opcode", "u1"),
        ("length", "<u8"),
        ("channel", "<u2"),
        ("sequence", "<u4"),
        ("log_time", "<u8"),
        ("publish_time", "<u8"),
    ]
)
"""The header of a message record, as container.MESSAGE_HEADER."""
assert FRAME.itemsize == MESSAGE_HEADER.size


@dataclass(frozen=True)
class Group:
    """Messages of equal size; each row of `rows` (n, FRAME.itemsize + size) keeps room for the frame in front."""

    index: NDArray[np.intp]
    """Which messages of the block these are, shape (n,)."""
    rows: NDArray[np.uint8]


@dataclass(frozen=True)
class Block:
    """Messages of one topic in order of time."""

    topic: str
    message_type: str
    stamps: NDArray[np.int64]
    """Header stamp of each message ns, shape (n,); for a message without a header the time it was sent."""
    log_times: NDArray[np.int64]
    """When each message was sent ns, shape (n,); not its stamp where that lies ahead (schedules) or back (ranges)."""
    groups: Sequence[Group]

    def framed(self, channel: int, first: int, log_times: NDArray[np.int64]) -> list[Any]:
        """One buffer per message in order: complete MCAP records with sequence numbers from `first` on."""
        pieces: list[Any] = [None] * len(self.stamps)
        for group in self.groups:
            frame = group.rows[:, : FRAME.itemsize].view(FRAME)[:, 0]
            frame["opcode"] = Opcode.MESSAGE
            frame["length"] = MESSAGE_REST + group.rows.shape[1] - FRAME.itemsize
            frame["channel"] = channel
            frame["sequence"] = first + group.index
            frame["log_time"] = log_times[group.index]
            frame["publish_time"] = self.stamps[group.index]
            size = group.rows.shape[1]
            flat = memoryview(group.rows.reshape(-1).data)
            for position, which in enumerate(group.index.tolist()):
                pieces[which] = flat[position * size : (position + 1) * size]
        return pieces

    def messages(self) -> list[bytes]:
        """The CDR bytes of each message."""
        found: list[bytes] = [b""] * len(self.stamps)
        for group in self.groups:
            for which, row in zip(group.index.tolist(), group.rows, strict=True):
                found[which] = row[FRAME.itemsize :].tobytes()
        return found
