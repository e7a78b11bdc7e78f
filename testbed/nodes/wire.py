"""Records straight to and from the bytes of a message, for the topics that carry most of the traffic.

rclpy makes some fifteen Python objects of one Odometry, on either side, and that is most of what a tick of a session
costs. These messages are nothing but numbers at known places, so their bytes are copied; record/layout.py knows the
places. Any sender's frame names are understood, because the places are found anew whenever they change.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.record import contract
from testbed.record.contract import Layout
from testbed.record.layout import ENCAPSULATION, MessageLayout, layout_of
from testbed.record.types import deserialize, serialize

RECORDS: Final[Mapping[str, np.dtype[Any]]] = {
    "imu": messages.IMU,
    "odometry": messages.ODOMETRY,
    "truth": messages.ODOMETRY,
    "reference": messages.ODOMETRY,
    "wrench": messages.WRENCH,
    "estimate/disturbance": messages.WRENCH,
}
"""Topics whose messages are read as records, and the records."""
assert all(kind.itemsize == sum(kind[name].itemsize for name in kind.names or ()) for kind in RECORDS.values())

_LITTLE_ENDIAN: Final = 1
_TIME: Final = struct.Struct("<iI")
_HEADER: Final = struct.Struct(f"<{ENCAPSULATION}xiII")
"""Encapsulation, seconds, nanoseconds, and the length of frame_id with its closing zero."""
_STAMP: Final = struct.Struct("<q")


class Encoder:
    """Makes the messages of one topic; `constants` are what its layout in record/contract.py is built from.

    The layout's fields must be 64-bit floats. Every message of the contract begins with its stamp.
    """

    def __init__(self, topic: str, *constants: Any) -> None:
        layout = _layout(topic)
        message = layout.build(*constants)
        self._bytes = bytearray(serialize(message, layout.type))
        found = layout_of(message, layout.type)
        self._places = [(name, *_place(found, path)) for name, path in layout.paths.items()]

    def encode(self, stamp: int, values: Any = None) -> bytes:
        """The message of this stamp (ns) with `values[name]`, numpy arrays of float64, in each field."""
        _TIME.pack_into(self._bytes, ENCAPSULATION, *divmod(stamp, NS_PER_S))
        for name, first, last in self._places:
            self._bytes[first:last] = values[name].tobytes()
        return bytes(self._bytes)


class _Places(NamedTuple):
    """Where the fields of a record lie, in its own order, and the strings and lengths that make it so."""

    fields: list[tuple[int, int]]
    fixed: list[tuple[int, int, bytes]]


class Decoder:
    """Reads the messages of one topic of RECORDS."""

    def __init__(self, topic: str) -> None:
        self._layout, self._kind = _layout(topic), RECORDS[topic]
        self._places = _Places([], [(0, 1, b"none yet")])

    def decode(self, data: bytes) -> NDArray[np.void]:
        """The record in these bytes, shape (1,).

        Raises:
            ValueError: big-endian, or not a message of the topic's type.

        """
        for first, last, text in self._places.fixed:
            if data[first:last] != text:
                self._places = self._find(data)
                break
        seconds, nanoseconds = _TIME.unpack_from(data, ENCAPSULATION)
        record = bytearray(_STAMP.pack(seconds * NS_PER_S + nanoseconds))
        for first, last in self._places.fields:
            record += data[first:last]
        return np.frombuffer(record, self._kind)

    def _find(self, data: bytes) -> _Places:
        if len(data) <= ENCAPSULATION or data[1] != _LITTLE_ENDIAN:
            raise ValueError("not in little-endian CDR")
        try:
            message = deserialize(data, self._layout.type)
        except Exception as error:  # rosbags raises whatever its generated code stumbles over
            raise ValueError(f"not a {self._layout.type}: {error}") from error
        found = layout_of(message, self._layout.type)
        fields = [_place(found, self._layout.paths[name]) for name in (self._kind.names or ())[1:]]
        fixed = [(first, last, data[first:last]) for first, last in [(0, ENCAPSULATION), *found.fixed]]
        return _Places(fields, fixed)


def read_header(data: bytes) -> tuple[int, str]:
    """Stamp (ns) and frame_id of a Header, or of a message that begins with one."""
    seconds, nanoseconds, length = _HEADER.unpack_from(data)
    return seconds * NS_PER_S + nanoseconds, data[_HEADER.size : _HEADER.size + length - 1].decode()


def _layout(topic: str) -> Layout:
    return contract.GLOBAL_TOPICS[topic] if topic.startswith("/") else contract.VEHICLE_TOPICS[topic]


def _place(layout: MessageLayout, path: str) -> tuple[int, int]:
    """First byte of a field and the one behind its last."""
    span = layout.spans[path]
    if span.dtype != np.float64:
        raise ValueError(f"{path}: {span.dtype}, not 64-bit floats")
    return span.offset, span.offset + span.count * span.dtype.itemsize
