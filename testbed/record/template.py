"""One message serialised by rosbags, repeated for many records whose numbers numpy fills in all at once."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from testbed.record.block import FRAME
from testbed.record.layout import layout_of
from testbed.record.types import serialize

NS_PER_S: Final = 1_000_000_000
HEADER_STAMP: Final = "header.stamp"


class Template:
    """The bytes of `message` and where its stamp and its fields lie; `paths` maps a name to a field of the message."""

    def __init__(self, message: Any, message_type: str, paths: Mapping[str, str], stamp: str = HEADER_STAMP) -> None:
        data = serialize(message, message_type)
        layout = layout_of(message, message_type)
        if layout.size != len(data):
            raise ValueError(f"{message_type}: layout of {layout.size} bytes, but rosbags wrote {len(data)}")
        self._bytes = np.frombuffer(data, np.uint8)
        self._names = tuple(paths)
        prefix = f"{stamp}." if stamp else ""
        fields = {**paths, "stamp sec": f"{prefix}sec", "stamp nanosec": f"{prefix}nanosec"}
        self._dtype = layout.dtype(fields, FRAME.itemsize + len(data), shift=FRAME.itemsize)

    def rows(self, stamps: NDArray[np.int64], values: Mapping[str, ArrayLike]) -> NDArray[np.uint8]:
        """Rows for a block.Group: one message per stamp (ns), each field filled from values[name] of shape (n, ...)."""
        count = len(stamps)
        rows = np.zeros((count, self._dtype.itemsize), np.uint8)
        rows[:, FRAME.itemsize :] = self._bytes
        messages = rows.reshape(-1).view(self._dtype)
        messages["stamp sec"] = stamps // NS_PER_S
        messages["stamp nanosec"] = stamps % NS_PER_S
        for name in self._names:
            field = messages[name]
            field[...] = np.asarray(values[name]).reshape(field.shape)
        return rows
