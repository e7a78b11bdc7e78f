"""Read all messages of a topic into arrays at once, by the layout of contract.py."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.record.layout import ENCAPSULATION, MessageLayout, layout_of
from testbed.record.reader import Channel
from testbed.record.types import deserialize

NS_PER_S: Final = 1_000_000_000
STAMP: Final = {"stamp sec": "header.stamp.sec", "stamp nanosec": "header.stamp.nanosec"}
_LITTLE_ENDIAN: Final = 1


@dataclass(frozen=True)
class Batch:
    """Messages of one topic that are laid out alike: which they are, their bytes, the layout, and the first of them."""

    indices: NDArray[np.intp]
    rows: NDArray[np.void]
    layout: MessageLayout
    example: Any

    def fields(self, paths: Mapping[str, str]) -> NDArray[np.void]:
        """The numbers at these paths, one structured record per message."""
        return self.rows.view(self.layout.dtype(dict(paths), self.rows.dtype.itemsize))

    def stamps(self) -> NDArray[np.int64]:
        """Header stamps, ns."""
        found = self.fields(STAMP)
        return found["stamp sec"].astype(np.int64) * NS_PER_S + found["stamp nanosec"]


def batches(channel: Channel) -> Iterator[Batch]:
    """All messages of a topic, put together by layout.

    Raises:
        ValueError: a message in big-endian CDR, or one that does not hold its type.

    """
    for size in np.unique(channel.sizes):
        left = np.flatnonzero(channel.sizes == size)
        while len(left):
            rows = channel.rows(left)
            example = _example(channel, int(left[0]))
            layout = layout_of(example, channel.type)
            alike = _alike(rows, layout)
            yield Batch(left[alike], rows[alike], layout, example)
            left = left[~alike]


def read_records(channel: Channel, dtype: np.dtype[Any], paths: Mapping[str, str]) -> NDArray[np.void]:
    """Fill an array of `dtype` (with `stamp`) from the fields at `paths`, in the order of `in_order`."""
    records = np.zeros(len(channel), dtype)
    for batch in batches(channel):
        records["stamp"][batch.indices] = batch.stamps()
        found = batch.fields(paths)
        for name in paths:
            target = records[name]
            target[batch.indices] = found[name].reshape((-1, *target.shape[1:]))
    return records[in_order(records["stamp"])]


def read_texts(channel: Channel) -> list[str]:
    """Contents of a String topic in order of receipt, each of equal neighbours once (lockstep may repeat a message)."""
    head = ENCAPSULATION + 4
    texts: list[str] = []
    for index in range(len(channel)):
        data = channel.data(index)
        length = int.from_bytes(data[ENCAPSULATION:head], "little")
        text = data[head : head + length - 1].decode()
        if not texts or texts[-1] != text:
            texts.append(text)
    return texts


def in_order(stamps: NDArray[np.int64]) -> NDArray[np.intp]:
    """Indices that sort by stamp and keep the last received of equal ones."""
    order = np.argsort(stamps, kind="stable")
    ordered = stamps[order]
    last = np.ones(len(order), bool)
    last[:-1] = ordered[1:] != ordered[:-1]
    return order[last]


def _example(channel: Channel, index: int) -> Any:
    data = channel.data(index)
    if len(data) < ENCAPSULATION or data[1] != _LITTLE_ENDIAN:
        raise ValueError(f"{channel.topic}: message {index} is not in little-endian CDR")
    try:
        return deserialize(data, channel.type)
    except Exception as error:  # rosbags raises whatever its generated code stumbles over
        raise ValueError(f"{channel.topic}: message {index} does not hold {channel.type}: {error}") from error


def _alike(rows: NDArray[np.void], layout: MessageLayout) -> NDArray[np.bool_]:
    """Which rows have the strings of the first, and sequences of the same lengths."""
    content = rows.view(np.uint8).reshape(len(rows), -1)
    alike = content[:, 1] == _LITTLE_ENDIAN
    for first, last in layout.fixed:
        part = content[:, first:last]
        alike &= (part == part[0]).all(axis=1)
    return alike
