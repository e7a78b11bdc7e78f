"""Write a recording: a rosbag2 folder with one unchunked MCAP file, every message on disk before `write` returns."""

from __future__ import annotations

import fcntl
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from mcap.opcode import Opcode
from mcap.records import Channel, Schema
from numpy.typing import NDArray

from testbed.record.block import Block
from testbed.record.container import MESSAGE_HEADER, MESSAGE_REST, Contents, closing, opening, packed
from testbed.record.contract import is_latched
from testbed.record.metadata import channel_metadata, qos_profile, write_metadata
from testbed.record.types import definition

DEPTH = 1000
PER_WRITE = 2000


class RecordingWriter:
    """A recording being written into `folder`, which must not hold one yet.

    The file is not buffered: a killed process loses no message that `write` was given. Log times never fall: one that
    is earlier than its predecessor's (a wall clock set back) is written as equal to it, because readers refuse others.

    Raises:
        FileExistsError: the folder holds a recording already.

    """

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.file = folder / f"{folder.name}_0.mcap"
        self.contents = Contents()
        self._channels: dict[str, int] = {}
        self._stream = self.file.open("xb", buffering=0)
        fcntl.flock(self._stream, fcntl.LOCK_EX)  # so that nobody mends it while it is being written
        self._put(opening())

    def add_topic(self, topic: str, message_type: str, latched: bool | None = None, depth: int | None = None) -> int:
        """Announce a topic (absolute name) and return its channel; `write` does so by itself at the first message.

        Raises:
            KeyError: a message type that does not ship with ROS 2.
            ValueError: the topic was announced with another type.

        """
        if (channel_id := self._channels.get(topic)) is not None:
            return self._check_type(channel_id, message_type)
        latched = is_latched(topic) if latched is None else latched
        profile = qos_profile(latched, depth or (1 if latched else DEPTH))
        channel = Channel(
            id=len(self._channels) + 1,
            topic=topic,
            message_encoding="cdr",
            metadata=channel_metadata(profile, definition(message_type)[1]),
            schema_id=self._schema(message_type),
        )
        self._put(packed(channel))
        self.contents.channels[channel.id] = channel
        self._channels[topic] = channel.id
        return channel.id

    def write(self, topic: str, message_type: str, data: bytes, log_time: int, publish_time: int) -> None:
        """Write one message: CDR bytes, time of receipt and header stamp (both ns; without a header: equal)."""
        channel = self._channels.get(topic) or self.add_topic(topic, message_type)
        log_time = max(log_time, self.contents.end)
        sequence = self.contents.counts.get(channel, 0) & 0xFFFFFFFF
        size = MESSAGE_REST + len(data)
        self._put(MESSAGE_HEADER.pack(Opcode.MESSAGE, size, channel, sequence, log_time, publish_time) + data)
        self.contents.count(channel, log_time, log_time)

    def write_blocks(self, blocks: Iterable[Block]) -> None:
        """Write many messages of several topics in order of log time; at equal times, in the order of the blocks.

        A message logged before the last one already written is written as logged together with it.
        """
        pieces: list[memoryview] = []
        times: list[NDArray[np.int64]] = []
        earliest = self.contents.end
        for block in blocks:
            if len(block.stamps):
                channel = self._channels.get(block.topic) or self.add_topic(block.topic, block.message_type)
                log_times = np.maximum(block.log_times, earliest)
                pieces += block.framed(channel, self.contents.counts.get(channel, 0), log_times)
                times.append(log_times)
                self.contents.count(channel, int(log_times.min()), int(log_times.max()), len(log_times))
        if pieces:
            order = np.argsort(np.concatenate(times), kind="stable")
            for first in range(0, len(order), PER_WRITE):  # small enough to stay in the processor's cache
                self._put(b"".join([pieces[index] for index in order[first : first + PER_WRITE].tolist()]))

    def close(self) -> None:
        """Write what follows the messages, and metadata.yaml."""
        if self._stream.closed:
            return
        self._put(closing(self.contents, self._stream.tell()))
        self._stream.close()
        write_metadata(self.folder, self.file, self.contents)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _schema(self, message_type: str) -> int:
        for schema in self.contents.schemas.values():
            if schema.name == message_type:
                return schema.id
        text, _ = definition(message_type)
        schema = Schema(id=len(self.contents.schemas) + 1, data=text.encode(), encoding="ros2msg", name=message_type)
        self._put(packed(schema))
        self.contents.schemas[schema.id] = schema
        return schema.id

    def _check_type(self, channel_id: int, message_type: str) -> int:
        known = self.contents.schemas[self.contents.channels[channel_id].schema_id].name
        if known != message_type:
            raise ValueError(f"{self.contents.channels[channel_id].topic} holds {known}, not {message_type}")
        return channel_id

    def _put(self, data: bytes) -> None:
        view = memoryview(data)
        while view:  # a raw write may take less than it was given, as when the disk fills up
            view = view[self._stream.write(view) or 0 :]
