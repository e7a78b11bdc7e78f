"""Where the numbers of a ROS message lie in its CDR bytes, so that numpy can read or fill many messages at once.

Plain CDR, little-endian (OMG DDS-XTypes 1.3, 7.4.1): four bytes of encapsulation header, then every primitive aligned
to its own size counted from behind that header; strings and sequences carry a length before them. Two messages whose
strings and sequences have the same lengths have the same layout.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from rosbags.interfaces import Nodetype

from testbed.record.types import typestore

ENCAPSULATION = 4
_SIZE = {"bool": "u1", "byte": "u1", "octet": "u1", "char": "u1"}


@dataclass(frozen=True)
class Span:
    """Numbers of one type that lie side by side: the first byte, their type and how many."""

    offset: int
    dtype: np.dtype[Any]
    count: int


@dataclass
class MessageLayout:
    """All numbers of a message by path; `fixed`: bytes (from, to) of its strings and lengths, which make the layout."""

    spans: dict[str, Span] = field(default_factory=dict)
    fixed: list[tuple[int, int]] = field(default_factory=list)
    size: int = 0

    def dtype(self, paths: dict[str, str], itemsize: int, shift: int = 0) -> np.dtype[Any]:
        """A structured dtype with one field per name in `paths`, for rows of `itemsize` with `shift` bytes in front.

        Raises:
            KeyError: a path is not in the message, or does not hold numbers of one type side by side.

        """
        spans = {name: self.spans[path] for name, path in paths.items()}
        formats = [(span.dtype, (span.count,)) if span.count > 1 else span.dtype for span in spans.values()]
        offsets = [span.offset + shift for span in spans.values()]
        return np.dtype({"names": list(spans), "formats": formats, "offsets": offsets, "itemsize": itemsize})


def layout_of(message: Any, message_type: str) -> MessageLayout:
    """Walk a message and say where its numbers lie."""
    layout = MessageLayout()
    layout.size = ENCAPSULATION + _walk_message(layout, "", message, message_type, 0)
    return layout


def _walk_message(layout: MessageLayout, path: str, message: Any, message_type: str, position: int) -> int:
    first = len(layout.spans)
    for name, (kind, detail) in typestore().fielddefs[message_type][1]:
        inner = f"{path}.{name}" if path else name
        position = _walk_field(layout, inner, getattr(message, name), kind, detail, position)
    parts = list(layout.spans.values())[first:]
    if path and parts and (whole := _joined(parts)) is not None:
        layout.spans[path] = whole
    return position


def _walk_field(layout: MessageLayout, path: str, value: Any, kind: Nodetype, detail: Any, position: int) -> int:
    if kind == Nodetype.NAME:
        return _walk_message(layout, path, value, detail, position)
    if kind == Nodetype.BASE:
        return _walk_base(layout, path, value, detail[0], position)
    (element_kind, element), _ = detail
    if kind == Nodetype.SEQUENCE:
        position = _walk_length(layout, position)
    if element_kind == Nodetype.BASE and element[0] != "string":
        return _numbers(layout, path, element[0], len(value), position)
    for index, item in enumerate(value):
        position = _walk_field(layout, f"{path}.{index}", item, element_kind, element, position)
    return position


def _walk_base(layout: MessageLayout, path: str, value: Any, name: str, position: int) -> int:
    if name != "string":
        return _numbers(layout, path, name, 1, position)
    position = _walk_length(layout, position)
    end = position + len(value.encode()) + 1
    layout.fixed.append((ENCAPSULATION + position, ENCAPSULATION + end))
    return end


def _walk_length(layout: MessageLayout, position: int) -> int:
    position += -position % 4
    layout.fixed.append((ENCAPSULATION + position, ENCAPSULATION + position + 4))
    return position + 4


def _numbers(layout: MessageLayout, path: str, name: str, count: int, position: int) -> int:
    if count == 0:
        return position
    dtype = np.dtype(_SIZE.get(name, name)).newbyteorder("<")
    position += -position % dtype.itemsize
    layout.spans[path] = Span(ENCAPSULATION + position, dtype, count)
    return position + count * dtype.itemsize


def _joined(parts: list[Span]) -> Span | None:
    """One span over all parts (of which some may lie within others), or None where they differ or leave gaps."""
    end, count, dtype = parts[0].offset, 0, parts[0].dtype
    for part in sorted(parts, key=lambda span: (span.offset, -span.count)):
        if part.dtype != dtype:
            return None
        if part.offset < end:
            continue  # within one already counted
        if part.offset > end:
            return None
        end, count = part.offset + part.count * dtype.itemsize, count + part.count
    return Span(parts[0].offset, dtype, count)
