"""What comes out of the run sequence at each step."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any, Final

from testbed.description.maneuver import Maneuver


class SessionPhase(StrEnum):
    """Where a session stands."""

    WAITING = "waiting"
    READINESS = "readiness"
    POSITIONING = "positioning"
    SETTLING = "settling"
    RUNNING = "running"
    EVALUATING = "evaluating"
    HELD = "held"
    STOPPED = "stopped"
    FINISHED = "finished"


PERMITTED: Final = {SessionPhase.SETTLING, SessionPhase.RUNNING, SessionPhase.EVALUATING, SessionPhase.HELD}
"""Phases in which valves may open. Not while a vehicle is carried to its place and its estimator still looks for it."""
TRYING: Final = {SessionPhase.POSITIONING, SessionPhase.SETTLING, SessionPhase.RUNNING}
"""Phases of a try that is not over."""
OVER: Final = {SessionPhase.STOPPED, SessionPhase.FINISHED}
"""Phases after which nothing moves under control any more."""


@dataclass(frozen=True)
class Place:
    """Put a vehicle there, at rest: base_link in the fixed frame, m and quaternion. `number` grows per vehicle."""

    number: int
    position: tuple[float, float, float]
    orientation: tuple[float, float, float, float]


@dataclass(frozen=True)
class PlanState:
    """The message on `/plan/state`, which is also the permission to fire.

    `maneuvers` and `places`: the newest number given to each vehicle, 0 before the first. `faults`: those in force, as
    indices into Plan.faults_of(run). Times in s since the try began; `floating_left`: s until each carriage is out of
    air, empty in the cabin; worst separation of the try in m, None before there is any.
    `room_gas_ppm`: released gas in the room's air. `outlook`: gas_outlook.Outlook of each vehicle. `battery`: each
    one's `charge` left, 0 to 1, and `voltage` V.
    """

    stamp: int
    phase: SessionPhase
    permit: bool
    run: str
    run_number: int
    runs: int
    attempt: int
    attempts: int
    elapsed: float
    remaining: float
    time_limit: float
    maneuvers: Mapping[str, int]
    places: Mapping[str, int]
    faults: tuple[int, ...]
    gas_left_g: Mapping[str, float]
    floating_left: Mapping[str, float]
    worst_separation: float | None
    decision: str
    room_gas_ppm: float = 0.0
    outlook: Mapping[str, Mapping[str, float | int | None]] = field(default_factory=dict)
    battery: Mapping[str, Mapping[str, float]] = field(default_factory=dict)

    def to_json(self) -> str:
        """Write the message."""
        return json.dumps(self.__dict__)

    @classmethod
    def from_json(cls, text: str) -> PlanState:
        """Read the message; ValueError, KeyError or TypeError if it is none."""
        values = json.loads(text)
        return cls(**{**values, "phase": SessionPhase(values["phase"]), "faults": tuple(values.get("faults", ()))})


@dataclass(frozen=True)
class Event:
    """The message on `/plan/events`: something was decided, measured or said. `data` holds plain values."""

    stamp: int
    kind: str
    run: str
    attempt: int
    data: Mapping[str, Any]

    def to_json(self) -> str:
        """Write the message."""
        return json.dumps(asdict(self))

    @classmethod
    def from_json(cls, text: str) -> Event:
        """Read the message; ValueError or TypeError if it is none."""
        return cls(**json.loads(text))


@dataclass(frozen=True)
class Commands:
    """All that a step asks for; `places` and `maneuvers` are new ones, by vehicle."""

    state: PlanState
    places: Mapping[str, Place] = field(default_factory=dict)
    maneuvers: Mapping[str, Maneuver] = field(default_factory=dict)
    events: tuple[Event, ...] = ()
