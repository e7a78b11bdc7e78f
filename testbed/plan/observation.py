"""What goes into the run sequence at each step, all of it from messages."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

EDGE: Final = "edge"
"""Second party of a contact with the edge of the table or a wall of the cabin."""

RequestKind = Literal["start", "end", "skip", "repeat", "hold", "release", "stop", "void", "note"]
"""start, end: the session. skip, repeat: the current run. hold: brake under control; release: go on after a hold. stop:
valves close, vehicles coast, the session is over. void: declare a try void. note: a remark."""


@dataclass(frozen=True)
class Request:
    """What the operator asks for; `text` is the remark or the reason, `name` who says so (both needed by void)."""

    kind: RequestKind
    text: str = ""
    name: str = ""


@dataclass(frozen=True)
class Contact:
    """One contact: two vehicles, or one and the edge. Stamp ns of its beginning, peak force N, impulse N·s.

    capture: of two ports, "captured", or why they did not capture (model.ports.Capture); else empty.
    """

    stamp: int
    first: str
    second: str
    peak_force: float
    impulse: float
    capture: str = ""


def contacts_to_json(stamp: int, contacts: tuple[Contact, ...]) -> str:
    """Write the message on `/contacts`: those since the one before."""
    return json.dumps({"stamp": stamp, "contacts": [asdict(contact) for contact in contacts]})


def contacts_from_json(text: str) -> tuple[Contact, ...]:
    """Read the message on `/contacts`."""
    return tuple(Contact(**contact) for contact in json.loads(text)["contacts"])


@dataclass(frozen=True)
class Observation:
    """The session at one multiple of 100 ms.

    Mappings are by vehicle; whoever has sent nothing yet is not in them. `truth` and `reference`: arrays of
    messages.ODOMETRY, all new since the step before, oldest first. `odometry` and `status`: the latest record of
    messages.ODOMETRY and messages.STATUS. `supply`: latest pressure Pa and temperature K. `carriage`: latest pressure
    Pa of the carriage's air, on the table. `battery`: latest charge left, 0 to 1, and voltage V. `contacts`: new since
    the step before. `live_faults`: those that someone has set at the plant, in words, as far as it has told.
    """

    stamp: int
    truth: Mapping[str, NDArray[np.void]] = field(default_factory=dict)
    odometry: Mapping[str, Any] = field(default_factory=dict)
    reference: Mapping[str, NDArray[np.void]] = field(default_factory=dict)
    status: Mapping[str, Any] = field(default_factory=dict)
    supply: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    carriage: Mapping[str, float] = field(default_factory=dict)
    battery: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    contacts: tuple[Contact, ...] = ()
    live_faults: tuple[str, ...] = ()
    requests: tuple[Request, ...] = ()
    ready: bool = True
    not_ready_reason: str = ""


@dataclass(frozen=True)
class Stretch:
    """Quiet steps, one after the other.

    stamps: of each step, ns; weighed: each tank after each step, stirs.WEIGHED (steps, n); seen: by index, observations
    of some of the steps, always of the last, without motion. truth and reference: by vehicle, track.TRACK, all since
    the step before the first, oldest first, of all vehicles at the same stamps; until[k]: how many of `truth` had come
    by step k.
    """

    stamps: Sequence[int]
    weighed: NDArray[np.void]
    seen: Mapping[int, Observation]
    truth: Mapping[str, NDArray[np.void]]
    until: NDArray[np.int64]
    reference: Mapping[str, NDArray[np.void]]
