"""Warnings and errors that parts of the testbed gave while a session was recorded."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from testbed.record.reader import Channel
from testbed.record.types import deserialize

LOG_WARNING: Final = 30
LOG_ERROR: Final = 40
DIAGNOSTIC_WARNING: Final = 1
DIAGNOSTIC_ERROR: Final = 2


@dataclass(frozen=True)
class Complaint:
    """What a part said when (ns of receipt) it first said it, and how often it did."""

    stamp: int
    who: str
    text: str
    error: bool
    times: int = 1


def read_complaints(channels: Mapping[str, Channel]) -> tuple[Complaint, ...]:
    """All of `/rosout` and `/diagnostics` from warnings upward, oldest first, each text once."""
    found: dict[tuple[str, str], Complaint] = {}
    for one in sorted([*_logged(channels.get("/rosout")), *_diagnosed(channels.get("/diagnostics"))], key=_stamp):
        known = found.get((one.who, one.text), one)
        times = known.times + 1 if known is not one else 1
        found[one.who, one.text] = Complaint(known.stamp, one.who, one.text, one.error, times)
    return tuple(found.values())


def _stamp(complaint: Complaint) -> int:
    return complaint.stamp


def _logged(channel: Channel | None) -> Iterator[Complaint]:
    for stamp, message in _messages(channel, "rcl_interfaces/msg/Log"):
        if message.level >= LOG_WARNING:
            yield Complaint(stamp, message.name, message.msg, message.level >= LOG_ERROR)


def _diagnosed(channel: Channel | None) -> Iterator[Complaint]:
    for stamp, message in _messages(channel, "diagnostic_msgs/msg/DiagnosticArray"):
        for status in message.status:
            if status.level >= DIAGNOSTIC_WARNING:
                yield Complaint(stamp, status.name, status.message, status.level >= DIAGNOSTIC_ERROR)


def _messages(channel: Channel | None, message_type: str) -> Iterator[tuple[int, Any]]:
    if channel is None or channel.type != message_type:
        return
    for index in range(len(channel)):
        yield int(channel.log_times[index]), deserialize(channel.data(index), message_type)
