"""Records straight to and from the bytes of a message, for the topics that carry most of the traffic.

rclpy makes some fifteen Python objects of one Odometry, on either side, and that is most of what a tick of a session
costs. These messages are nothing but numbers at known places, so numpy copies them; record/layout.py knows the places.
Any sender's frame names are understood, because the places are found anew whenever they change.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.messages import NS_PER_S
from testbed.record import contract
from testbed.record.contract import Layout
from testbed.record.layout import ENCAPSULATION, layout_of
from testbed.record.types import deserialize, serialize

_SECONDS, _NANOSECONDS = "stamp sec", "stamp nanosec"
_LITTLE_ENDIAN: Final = 1
_HEADER: Final = struct.Struct(f"<{ENCAPSULATION}xiII")
"""Encapsulation, seconds, nanoseconds, and the length of frame_id with its closing zero."""

RECORDS: Final[Mapping[str, np.dtype[Any]]] = {
    "imu": messages.IMU,
    "odometry": messages.ODOMETRY,
    "truth": messages.ODOMETRY,
    "reference": messages.ODOMETRY,
    "wrench": messages.WRENCH,
}
"""Topics whose messages are read as records, and the records."""
_STAMP: Final = {"/clock": "clock", "/clock/done": "stamp"}
"""Where the stamp lies in a message that has it elsewhere than in `header.stamp`."""


class Encoder:
    """Makes the messages of one topic; `constants` are what its layout in record/contract.py is built from."""

    def __init__(self, topic: str, *constants: Any) -> None:
        layout, stamp = _layout(topic), _STAMP.get(topic, "header.stamp")
        message = layout.build(*constants)
        self._bytes = bytearray(serialize(message, layout.type))
        paths = {**layout.paths, _SECONDS: f"{stamp}.sec", _NANOSECONDS: f"{stamp}.nanosec"}
        fields = np.frombuffer(self._bytes, layout_of(message, layout.type).dtype(paths, len(self._bytes)))
        self._seconds, self._nanoseconds = fields[_SECONDS], fields[_NANOSECONDS]
        self._fields = {name: fields[name].reshape(-1) for name in layout.paths}

    def encode(self, stamp: int, values: Any = None) -> bytes:
        """The message of this stamp (ns) with `values[name]` in each field: a record, or a mapping."""
        self._seconds[0], self._nanoseconds[0] = divmod(stamp, NS_PER_S)
        for name, field in self._fields.items():
            field[:] = np.ravel(values[name])
        return bytes(self._bytes)


class Decoder:
    """Reads the messages of one topic of RECORDS."""

    def __init__(self, topic: str) -> None:
        self._layout, self._kind = _layout(topic), RECORDS[topic]
        self._places: dict[int, tuple[np.dtype[Any], list[tuple[int, int, bytes]]]] = {}

    def decode(self, data: bytes) -> NDArray[np.void]:
        """The record in these bytes, shape (1,).

        Raises:
            ValueError: big-endian, or not a message of the topic's type.

        """
        places = self._places.get(len(data))
        if places is None or any(data[first:last] != text for first, last, text in places[1]):
            places = self._places[len(data)] = self._find(data)
        fields = np.frombuffer(data, places[0], 1)
        record = np.empty(1, self._kind)
        record["stamp"] = int(fields[_SECONDS][0]) * NS_PER_S + int(fields[_NANOSECONDS][0])
        for name in self._layout.paths:
            target = record[name]
            target[...] = fields[name].reshape(target.shape)
        return record

    def _find(self, data: bytes) -> tuple[np.dtype[Any], list[tuple[int, int, bytes]]]:
        """Where the fields of a message lie, and the strings and lengths before them that make it so."""
        if len(data) <= ENCAPSULATION or data[1] != _LITTLE_ENDIAN:
            raise ValueError("not in little-endian CDR")
        try:
            message = deserialize(data, self._layout.type)
        except Exception as error:  # rosbags raises whatever its generated code stumbles over
            raise ValueError(f"not a {self._layout.type}: {error}") from error
        found = layout_of(message, self._layout.type)
        paths = {**self._layout.paths, _SECONDS: "header.stamp.sec", _NANOSECONDS: "header.stamp.nanosec"}
        fixed = [(first, last, data[first:last]) for first, last in [(0, ENCAPSULATION), *found.fixed]]
        return found.dtype(paths, len(data)), fixed


def _layout(topic: str) -> Layout:
    return contract.GLOBAL_TOPICS[topic] if topic.startswith("/") else contract.VEHICLE_TOPICS[topic]


def read_header(data: bytes) -> tuple[int, str]:
    """Stamp (ns) and frame_id of a Header, or of a message that begins with one."""
    seconds, nanoseconds, length = _HEADER.unpack_from(data)
    return seconds * NS_PER_S + nanoseconds, data[_HEADER.size : _HEADER.size + length - 1].decode()
