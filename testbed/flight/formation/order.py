"""What a vehicle that flies a formation has been asked for, and what was planned for it: in and out of the planner."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from testbed.flight.formation.planner import Outcome


@dataclass(frozen=True)
class Order:
    """A maneuver of kind formation, as it is in force for one vehicle; start: stamp, ns."""

    number: int
    start: int
    run: str
    attempt: int
    formation: str


class Why(StrEnum):
    """Why a plan was made."""

    MEMBERS = "members"
    """Other vehicles fly it than before, or it begins."""
    LAG = "lag"
    """Someone lags behind the plan, somebody else has come in the way, or it was to stay."""
    FRAME = "frame"
    """The leader moves otherwise than was reckoned with."""


@dataclass(frozen=True)
class Planned:
    """A plan that was made: of whom, why, who lagged, and what came of it.

    begin: stamp of its first knot, ns; duration s until everyone is in place; separation: least distance of two
    vehicles, or of one and a body that is not planned for, along it, m; tight: less is kept than planned.
    """

    run: str
    attempt: int
    formation: str
    why: Why
    vehicles: tuple[str, ...]
    lagging: tuple[str, ...]
    outcome: Outcome
    begin: int
    duration: float
    separation: float
    tight: bool
