"""What Python reads of the plant's contacts and latches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from testbed.model.contact import EDGE
from testbed.model.ports import PULL, Capture, Phase


@dataclass(frozen=True)
class Contact:
    """A touch of two vehicles, or of one and the table's edge or a wall (second is None), since the last reading.

    Stamp ns of its beginning, peak force N, impulse N·s. Ports that took part, None for a hull, and what became of
    their capture; the pull of a latch that captures is a contact of its own.
    """

    first: int
    second: int | None
    stamp: int
    peak_force: float
    impulse: float
    first_port: int | None = None
    second_port: int | None = None
    capture: Capture = Capture.NONE


@dataclass(frozen=True)
class Latch:
    """Two ports that hold each other: vehicles and ports by index, phase, and since when (ns) it is in this phase."""

    first: int
    first_port: int
    second: int
    second_port: int
    phase: Phase
    stamp: int


def read_contacts(world_state: np.void) -> list[Contact]:
    """Return the contacts of the pool since the last reading."""
    return [
        _contact(world_state, k) for k in range(world_state["contact_count"]) if world_state["contact_stamp"][k] >= 0
    ]


def _contact(one: np.void, k: int) -> Contact:
    edge = one["contact_second"][k] == EDGE
    return Contact(
        first=int(one["contact_first"][k]),
        second=None if edge else int(one["contact_second"][k]),
        stamp=int(one["contact_stamp"][k]),
        peak_force=float(one["contact_peak_force"][k]),
        impulse=float(one["contact_impulse"][k]),
        first_port=_port(int(one["contact_first_feature"][k])),
        second_port=None if edge else _port(int(one["contact_second_feature"][k])),
        capture=Capture(one["contact_capture"][k]),
    )


def _port(feature: int) -> int | None:
    """Feature 0 is the hull; those of a pull are counted from PULL."""
    return None if feature == 0 else feature % PULL - 1


def read_latches(world_state: np.void) -> list[Latch]:
    """Return the latches that hold, in the order of their first vehicles and ports."""
    latches = [
        Latch(
            first=int(world_state["latch_first"][k]),
            first_port=int(world_state["latch_first_port"][k]),
            second=int(world_state["latch_second"][k]),
            second_port=int(world_state["latch_second_port"][k]),
            phase=Phase(world_state["latch_phase"][k]),
            stamp=int(world_state["latch_stamp"][k]),
        )
        for k in range(world_state["latch_count"])
        if world_state["latch_phase"][k] != Phase.OPEN
    ]
    return sorted(latches, key=lambda one: (one.first, one.first_port))
