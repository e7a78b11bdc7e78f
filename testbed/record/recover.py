"""Mend a recording that was cut: by a kill, a power failure, a full disk.

The file is read up to its last whole record; what is torn after it is moved aside, and what a closed recording ends
with is put in its place; metadata.yaml is made again. Nothing whole is ever lost, and a recording that is complete is
left alone.
"""

from __future__ import annotations

import fcntl
import mmap
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from mcap.opcode import Opcode

from testbed.description.errors import ConfigurationError, Problem
from testbed.record import metadata
from testbed.record.container import MAGIC, Contents, closing, opening, read_channel, read_schema, records

TORN: Final = ".torn"
_MESSAGE: Final = struct.Struct("<HIQQ")
_ENDING: Final = 29 + len(MAGIC)
"""Size of the footer and the magic after it, the last bytes of a whole file."""

Bytes = bytes | memoryview | mmap.mmap


class RecordingError(ConfigurationError):
    """A recording that cannot be read or mended: what is the matter with it, and what is allowed."""

    def __init__(self, file: Path, field: str, value: object, allowed: str) -> None:
        super().__init__([Problem(file, None, field, value, allowed)])


@dataclass(frozen=True)
class Recovery:
    """What was found and done."""

    mended: bool
    message_count: int
    torn_bytes: int
    """Bytes of a record that was not whole; kept in a .torn file beside the recording."""


def recording_file(folder: Path) -> Path:
    """Return the one MCAP file in the folder.

    Raises:
        RecordingError: there is none, or more than one.

    """
    files = sorted(folder.glob("*.mcap")) if folder.is_dir() else []
    if len(files) != 1:
        raise RecordingError(folder, "number of .mcap files", len(files), "1, as in the folder of a recording")
    return files[0]


def is_complete(folder: Path) -> bool:
    """Whether the recording was closed or mended: its file ends as a whole one does and metadata.yaml is there."""
    file = recording_file(folder)
    return _is_whole(file) and (folder / metadata.FILE).is_file()


def recover(folder: Path) -> Recovery:
    """Mend the recording in `folder`, in steps of which each leaves a recording that can be mended again.

    Raises:
        RecordingError: no MCAP file, one that is still being written, or one in chunks, which is not ours to mend.

    """
    file = recording_file(folder)
    with file.open("r+b") as stream:
        try:
            fcntl.flock(stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise RecordingError(file, "state", "still being written", "one that nobody writes any more") from None
        size = os.fstat(stream.fileno()).st_size
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) if size else memoryview(b"") as data:
            contents, end = scan(data, file)
            whole = _is_whole(file)
            torn = b"" if whole else bytes(data[end:])
        if whole and (folder / metadata.FILE).is_file():
            return Recovery(False, contents.message_count, 0)
        if not whole:
            tail = b"" if end else opening()
            tail += closing(contents, end + len(tail))
            if tail.startswith(torn):  # cut while it was being closed
                torn = b""
            if torn:
                file.with_suffix(TORN).write_bytes(torn)
            stream.truncate(end)
            stream.seek(end)
            stream.write(tail)
            stream.flush()
            os.fsync(stream.fileno())
        metadata.write_metadata(folder, file, contents)
    return Recovery(True, contents.message_count, len(torn))


def scan(data: Bytes, file: Path) -> tuple[Contents, int]:
    """Return what the data section holds, and the byte after its last whole record (0: not even the opening is whole).

    Raises:
        RecordingError: not an MCAP file, or one in chunks; names `file`.

    """
    start = bytes(data[: len(MAGIC)])
    if not MAGIC.startswith(start):
        raise RecordingError(file, "beginning", start, f"{MAGIC!r}, as an MCAP file begins")
    contents, end = Contents(), 0
    for opcode, first, stop in records(data, len(MAGIC)):
        if opcode == Opcode.CHUNK:
            raise RecordingError(file, "record", "a chunk", "records without chunks, as testbed writes them")
        if not _take(contents, opcode, data, first, stop):
            break
        end = stop
    return contents, end


def _take(contents: Contents, opcode: int, data: Bytes, first: int, stop: int) -> bool:
    """Take note of one record; False where the data section ends or a record makes no sense."""
    if opcode == Opcode.MESSAGE:
        if stop - first < _MESSAGE.size:
            return False
        channel, _, log_time, _ = _MESSAGE.unpack_from(data, first)
        if channel not in contents.channels:
            return False
        contents.count(channel, log_time, log_time)
    elif opcode == Opcode.SCHEMA:
        schema = read_schema(data[first:stop])
        contents.schemas[schema.id] = schema
    elif opcode == Opcode.CHANNEL:
        announced = read_channel(data[first:stop])
        contents.channels[announced.id] = announced
    else:
        return opcode == Opcode.HEADER
    return True


def _is_whole(file: Path) -> bool:
    with file.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(max(0, size - _ENDING))
        last = stream.read()
    return size > _ENDING and last[0] == Opcode.FOOTER and last.endswith(MAGIC)
