"""The MCAP file as this project writes it: no chunks, so that every record is whole on disk as soon as it is written.

Format: https://mcap.dev/spec. Every record is an opcode, an 8-byte length and its content. What follows the messages
(`closing`) can be made again from the records before it, which is how a cut file is mended.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BytesIO
from mmap import mmap
from typing import Final

from mcap.data_stream import ReadDataStream, RecordBuilder
from mcap.opcode import Opcode
from mcap.records import Channel, DataEnd, Footer, Header, McapRecord, Schema, Statistics, SummaryOffset

from testbed import __version__

MAGIC: Final = b"\x89MCAP0\r\n"
PROFILE: Final = "ros2"
MESSAGE_HEADER: Final = struct.Struct("<BQHIQQ")
"""Opcode, length of the rest, channel, sequence, log time ns, publish time ns; the CDR bytes follow."""
RECORD_HEADER: Final = struct.Struct("<BQ")
MESSAGE_REST: Final = MESSAGE_HEADER.size - RECORD_HEADER.size


@dataclass
class Contents:
    """What the data section of a file holds so far."""

    schemas: dict[int, Schema] = field(default_factory=dict)
    channels: dict[int, Channel] = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)
    start: int = 0
    end: int = 0

    @property
    def message_count(self) -> int:
        """Number of messages on all channels."""
        return sum(self.counts.values())

    def count(self, channel: int, first: int, last: int, messages: int = 1) -> None:
        """Take note of messages on a channel, logged from `first` to `last` ns."""
        self.start = min(self.start, first) if self.counts else first
        self.end = max(self.end, last)
        self.counts[channel] = self.counts.get(channel, 0) + messages


def opening() -> bytes:
    """Everything before the first schema."""
    return MAGIC + packed(Header(profile=PROFILE, library=f"testbed {__version__}"))


def closing(contents: Contents, position: int) -> bytes:
    """Everything after the last message, for a data section that ends at byte `position`."""
    statistics = Statistics(
        message_count=contents.message_count,
        schema_count=len(contents.schemas),
        channel_count=len(contents.channels),
        attachment_count=0,
        metadata_count=0,
        chunk_count=0,
        message_start_time=contents.start,
        message_end_time=contents.end,
        channel_message_counts=contents.counts,
    )
    groups = (
        (Opcode.SCHEMA, b"".join(map(packed, contents.schemas.values()))),
        (Opcode.CHANNEL, b"".join(map(packed, contents.channels.values()))),
        (Opcode.STATISTICS, packed(statistics)),
    )
    data_end = packed(DataEnd(data_section_crc=0))  # 0: no checksum
    summary_start = group_start = position + len(data_end)
    offsets = b""
    for opcode, group in groups:
        if group:
            offsets += packed(SummaryOffset(group_opcode=opcode, group_start=group_start, group_length=len(group)))
        group_start += len(group)
    footer = packed(Footer(summary_start=summary_start, summary_offset_start=group_start, summary_crc=0))
    return data_end + b"".join(group for _, group in groups) + offsets + footer + MAGIC


def packed(record: McapRecord) -> bytes:
    """The bytes of one record."""
    builder = RecordBuilder()
    record.write(builder)
    return builder.end()


def records(data: bytes | memoryview | mmap, position: int) -> Iterator[tuple[int, int, int]]:
    """Opcode, start of content and end of each whole record from `position` on; stops before one that is cut."""
    unpack, header = RECORD_HEADER.unpack_from, RECORD_HEADER.size
    size = len(data)
    while position + header <= size:
        opcode, length = unpack(data, position)
        end = position + header + length
        if end > size:
            return
        yield opcode, position + header, end
        position = end


def read_schema(content: bytes | memoryview) -> Schema:
    """The schema in the content of a record."""
    return Schema.read(ReadDataStream(BytesIO(content)))


def read_channel(content: bytes | memoryview) -> Channel:
    """The channel in the content of a record."""
    return Channel.read(ReadDataStream(BytesIO(content)))
