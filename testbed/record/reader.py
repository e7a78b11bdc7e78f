"""Read the messages of a recording, whether it was closed, was cut, or is still being written; never changes it."""

from __future__ import annotations

import mmap
import os
import struct
from array import array
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from mcap.opcode import Opcode
from mcap.reader import make_reader
from numpy.typing import NDArray

from testbed.record.container import MAGIC, MESSAGE_REST, RECORD_HEADER, read_channel, read_schema
from testbed.record.recover import RecordingError, is_complete, recording_file

_MESSAGE: Final = struct.Struct("<BQH4xQQ")  # as MESSAGE_HEADER, without the sequence number


class Message(NamedTuple):
    """One message: CDR bytes, time of receipt and header stamp, both ns."""

    topic: str
    type: str
    log_time: int
    publish_time: int
    data: bytes


@dataclass(frozen=True)
class Channel:
    """All messages of one topic in order of receipt: where their CDR bytes begin in the buffer, and how many."""

    topic: str
    type: str
    starts: NDArray[np.int64]
    sizes: NDArray[np.int64]
    log_times: NDArray[np.int64]
    publish_times: NDArray[np.int64]
    buffer: memoryview

    def __len__(self) -> int:
        return len(self.starts)

    def data(self, index: int) -> bytes:
        """CDR bytes of one message."""
        start = int(self.starts[index])
        return bytes(self.buffer[start : start + int(self.sizes[index])])

    def rows(self, indices: NDArray[np.intp]) -> NDArray[np.void]:
        """CDR bytes of messages of equal size as one array of void, shape (n,)."""
        size = int(self.sizes[indices[0]])
        kind = np.dtype((np.void, size))
        every_byte = np.ndarray((len(self.buffer) - size + 1,), kind, self.buffer, strides=(1,))
        return every_byte[self.starts[indices]]


class RecordingReader:
    """The channels of the recording in `folder`, by topic. `cut`: it was not closed; what was whole is there.

    Raises:
        RecordingError: no recording, or not an MCAP file.

    """

    def __init__(self, folder: Path) -> None:
        file = recording_file(folder)
        self.cut = not is_complete(folder)
        buffer = _map(file)
        if not MAGIC.startswith(beginning := bytes(buffer[: len(MAGIC)])):
            raise RecordingError(file, "beginning", beginning, f"{MAGIC!r}, as an MCAP file begins")
        found = _index(buffer)
        self.channels: dict[str, Channel] = _index_chunked(file) if found is None else found

    @property
    def start(self) -> int:
        """Log time of the first message ns; 0 if there is none."""
        return min((int(channel.log_times[0]) for channel in self.channels.values() if len(channel)), default=0)

    @property
    def end(self) -> int:
        """Log time of the last message ns; 0 if there is none."""
        return max((int(channel.log_times[-1]) for channel in self.channels.values() if len(channel)), default=0)

    def messages(self, topics: Collection[str] | None = None) -> Iterator[Message]:
        """Every message of these topics (of all by default) in order of receipt."""
        chosen = [channel for topic, channel in self.channels.items() if topics is None or topic in topics]
        if not chosen:
            return
        times = np.concatenate([channel.log_times for channel in chosen])
        # at equal times the one that was written first
        places = np.concatenate([channel.starts for channel in chosen])
        which = np.concatenate([np.full(len(channel), number) for number, channel in enumerate(chosen)])
        inner = np.concatenate([np.arange(len(channel)) for channel in chosen])
        for place in np.lexsort((places, times)).tolist():
            channel, index = chosen[which[place]], inner[place]
            yield Message(
                channel.topic,
                channel.type,
                int(channel.log_times[index]),
                int(channel.publish_times[index]),
                channel.data(index),
            )


def _map(file: Path) -> memoryview:
    with file.open("rb") as stream:
        if not os.fstat(stream.fileno()).st_size:
            return memoryview(b"")
        return memoryview(mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ))


def _index(buffer: memoryview) -> dict[str, Channel] | None:
    """Where every message lies; None where the file is in chunks."""
    schemas: dict[int, Any] = {}
    channels: dict[int, Any] = {}
    found: dict[int, array[int]] = {}
    for opcode, first, stop in _not_messages(buffer, found):
        if opcode == Opcode.SCHEMA:
            schema = read_schema(buffer[first:stop])
            schemas[schema.id] = schema
        elif opcode == Opcode.CHANNEL:
            announced = read_channel(buffer[first:stop])
            channels[announced.id] = announced
            found[announced.id] = array("q")
        elif opcode == Opcode.CHUNK:
            return None
        elif opcode != Opcode.HEADER:
            break
    return {
        one.topic: _channel(one.topic, schemas[one.schema_id].name, found[one.id], buffer) for one in channels.values()
    }


def _not_messages(buffer: memoryview, found: dict[int, array[int]]) -> Iterator[tuple[int, int, int]]:
    """Every whole record that is no message, as `container.records`; messages are put where they belong on the way.

    The one loop that runs once per message, so it does no more than it must.
    """
    unpack, size, position, message = _MESSAGE.unpack_from, len(buffer), len(MAGIC), int(Opcode.MESSAGE)
    while position + _MESSAGE.size <= size:
        opcode, length, channel, log_time, publish_time = unpack(buffer, position)
        end = position + RECORD_HEADER.size + length
        if opcode != message:
            if end > size:
                return
            yield opcode, position + RECORD_HEADER.size, end
        elif end <= size and channel in found and length >= MESSAGE_REST:
            found[channel].extend((position + _MESSAGE.size, length - MESSAGE_REST, log_time, publish_time))
        else:
            return
        position = end


def _index_chunked(file: Path) -> dict[str, Channel]:
    """The same for a recording of another program: its messages are unpacked into one buffer."""
    pieces: list[bytes] = []
    found: dict[tuple[str, str], array[int]] = {}
    place = 0
    with file.open("rb") as stream:
        for schema, channel, message in make_reader(stream).iter_messages():
            entries = found.setdefault((channel.topic, schema.name if schema else ""), array("q"))
            entries.extend((place, len(message.data), message.log_time, message.publish_time))
            pieces.append(message.data)
            place += len(message.data)
    buffer = memoryview(b"".join(pieces))
    return {topic: _channel(topic, kind, entries, buffer) for (topic, kind), entries in found.items()}


def _channel(topic: str, kind: str, entries: array[int], buffer: memoryview) -> Channel:
    starts, sizes, log_times, publish_times = np.array(entries, np.int64).reshape(-1, 4).T.copy()
    return Channel(topic, kind, starts, sizes, log_times, publish_times, buffer)
