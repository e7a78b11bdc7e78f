"""One maneuver as it travels on the `maneuver` topic, and as the record that guidance works on."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, model_validator

from testbed.description import messages


class Kind(IntEnum):
    """What guidance is asked to do."""

    NONE = 0
    HOLD = 1
    TRANSLATE = 2
    ROTATE = 3
    TRACK = 4
    FORMATION = 5


class Phase(IntEnum):
    """Where guidance stands with its maneuver."""

    IDLE = 0
    MOVING = 1
    SETTLING = 2
    HOLDING = 3
    EXPIRED = 4


class Reason(IntEnum):
    """Why guidance is in its phase, where that needs a word."""

    NONE = 0
    NO_MANEUVER = 1
    NO_FIX = 2
    OUT_OF_TIME = 3
    NOT_STARTED = 4
    NO_TRAJECTORY = 5
    BAD_TRAJECTORY = 6


class Waypoint(BaseModel):
    """A point that a tracked reference passes at a time after the maneuver's start."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    time: float = Field(ge=0.0, description="Time after the start of the maneuver, s")
    x: float = Field(description="Position in the fixed frame, m")
    y: float = Field(description="Position in the fixed frame, m")
    z: float = Field(default=0.0, description="Position in the fixed frame, m (ignored on the table, which holds it)")
    heading_deg: float = Field(default=0.0, description="Heading about z, degrees")


class Maneuver(BaseModel):
    """One maneuver of the plan with its number, start and expiry; JSON on the `maneuver` topic.

    `number` grows with every maneuver given to a vehicle in a session; a guidance that starts has no authority until
    one with a new number arrives. `start` and `expiry` are stamps in ns: before start guidance holds, from expiry on
    it asks for nothing. Positions are of base_link in the fixed frame. A translation or rotation is flown as fast as
    the limits allow, unless it has a `duration` s (arrive then, with the least peak effort) or a mass of `gas` kg (as
    fast as that allows). With `deadband` m and `deadband_angle` rad guidance lets the vehicle drift about its reference
    within so much along and about each axis of base_link. A maneuver of kind formation follows the messages.TRAJECTORY
    of its number; until there is one it brakes and stays, or goes on with that of the maneuver before it, if that was
    of this kind, too. `formation` names the formation, and the pose is that of the vehicle's place in it at the end as
    the plan has it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    number: int = Field(ge=1)
    run: str
    attempt: int = Field(ge=1)
    kind: Literal["hold", "translate", "rotate", "track", "formation"]
    start: int
    expiry: int
    position: tuple[float, float, float] | None = None
    orientation: tuple[float, float, float, float] | None = None
    speed_limit: float = Field(default=0.05, gt=0.0)
    rate_limit: float = Field(default=0.1, gt=0.0)
    duration: float | None = Field(default=None, gt=0.0)
    gas: float | None = Field(default=None, gt=0.0)
    deadband: float | None = Field(default=None, gt=0.0)
    deadband_angle: float | None = Field(default=None, gt=0.0)
    waypoints: tuple[Waypoint, ...] = ()
    formation: str = ""
    manual: bool = Field(default=False, description="Whether guidance then goes where the topic `goal` says")

    @model_validator(mode="after")
    def _waypoints_fit(self) -> Self:
        if self.kind == "track" and not 2 <= len(self.waypoints) <= messages.MAX_WAYPOINTS:
            raise ValueError(f"a track needs 2 to {messages.MAX_WAYPOINTS} waypoints")
        if (self.deadband is None) != (self.deadband_angle is None):
            raise ValueError("deadband and deadband_angle belong together")
        return self

    def record(self) -> NDArray[np.void]:
        """The maneuver as an array of one messages.MANEUVER record."""
        record = np.zeros(1, messages.MANEUVER)
        one = record[0]
        one["number"], one["kind"] = self.number, Kind[self.kind.upper()]
        one["start"], one["expiry"] = self.start, self.expiry
        one["orientation"] = (0.0, 0.0, 0.0, 1.0)
        if self.position is not None:
            one["position_given"], one["position"] = 1, self.position
        if self.orientation is not None:
            one["orientation_given"], one["orientation"] = 1, self.orientation
        one["speed_limit"], one["rate_limit"] = self.speed_limit, self.rate_limit
        for name in ("duration", "gas", "deadband", "deadband_angle"):
            one[name] = getattr(self, name) or 0.0
        one["waypoint_count"] = len(self.waypoints)
        for index, point in enumerate(self.waypoints):
            one["waypoint_time"][index] = point.time
            one["waypoint_position"][index] = (point.x, point.y, point.z)
            one["waypoint_heading"][index] = math.radians(point.heading_deg)
        return record
