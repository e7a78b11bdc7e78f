"""What was measured in one try, put together from messages: live by the conductor, from a recording by the report."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.plan.keep_out import KeepOut
from testbed.plan.observation import Contact
from testbed.plan.poses import PlannedPose

GAS: Final = np.dtype([("stamp", "i8"), ("mass", "f8")], align=True)
"""Mass of gas in a tank, kg, from supply pressure and temperature (description.gas_gauge)."""


@dataclass(frozen=True)
class TrySamples:
    """One try from stamp `start` to stamp `end` (ns, both included).

    By vehicle: `goals`, the last pose the run asks for (RunPoses.goals); `truth` and `reference`, arrays with the
    fields of TRACK, oldest first (messages.ODOMETRY will do; for a vehicle without truth its odometry); `gas`, an array
    of GAS that begins with the last sample at or before `start`. Samples outside the try may be there and are left out
    of account. `dimensions` is 2 on the table, 3 in the cabin. keep_out: zones, and the radii of vehicles.
    """

    start: int
    end: int
    dimensions: int
    goals: Mapping[str, PlannedPose]
    truth: Mapping[str, NDArray[np.void]]
    reference: Mapping[str, NDArray[np.void]] = field(default_factory=dict)
    gas: Mapping[str, NDArray[np.void]] = field(default_factory=dict)
    contacts: Sequence[Contact] = ()
    keep_out: KeepOut = field(default_factory=KeepOut)

    @property
    def vehicles(self) -> tuple[str, ...]:
        """Names of all vehicles of the try."""
        return tuple(self.goals)


def joined(pieces: Iterable[NDArray[np.void]], dtype: np.dtype) -> NDArray[np.void]:
    """Join arrays that came one after the other; empty if none came."""
    pieces = list(pieces)
    whole, end = np.empty(sum(map(len, pieces)), dtype), 0
    for piece in pieces:  # np.concatenate would compare the fields of each two
        whole[end : end + len(piece)] = piece
        end += len(piece)
    return whole
