"""What the plan says of one formation in one run, as the formation's planner works with it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from testbed.flight.formation.frame import Frame, Slot
from testbed.flight.formation.task import Keeping, Limits
from testbed.flight.formation.zones import Area, Zone


@dataclass(frozen=True)
class Place:
    """A vehicle's own place in a formation: position in its frame, m, and attitude relative to it, quaternion."""

    position: tuple[float, float, float]
    orientation: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 1.0)

    def slot(self, frame: Frame) -> Slot:
        """The place where a frame has it."""
        return Slot(frame, self.position, self.orientation)


@dataclass(frozen=True)
class FormationTask:
    """Formation `name` as it is flown in run `run`.

    places: of every vehicle that flies it anywhere in the run, decided once: who rejoins goes back to its own; limits:
    of each of these vehicles. frame: where the formation is `frame.time` = 0 s after the start of the first maneuver of
    it in a try, from then on with its twist; its time stands still while nobody flies it. leader: the vehicle whose
    estimated pose is the frame instead; exactly one of both is given. Area and zones along `axes`, the free
    translations. turn_rate rad/s and turn_acceleration rad/s²: of vehicles relative to their places, at most.
    """

    name: str
    run: str
    places: Mapping[str, Place]
    limits: Mapping[str, Limits]
    keeping: Keeping
    area: Area
    frame: Frame | None = None
    leader: str | None = None
    zones: tuple[Zone, ...] = ()
    axes: tuple[int, ...] = (0, 1)
    turn_rate: float = math.radians(4.0)
    turn_acceleration: float = math.radians(1.0)

    def __post_init__(self) -> None:
        if (self.frame is None) == (self.leader is None):
            raise ValueError(f"formation {self.name}: either a frame or a leader")
        if self.places.keys() != self.limits.keys() or self.leader in self.places:
            raise ValueError(f"formation {self.name}: limits for each that has a place, and no place for the leader")

    def time_to_turn(self, angle: float) -> float:
        """Time s for a turn by `angle` rad: a cubic to rest in T takes 1.5 angle / T of rate, 6 angle / T² beside."""
        return max(1.5 * angle / self.turn_rate, math.sqrt(6.0 * angle / self.turn_acceleration))


Tasks = Mapping[tuple[str, str], FormationTask]
"""The formations of a session by run and name."""
