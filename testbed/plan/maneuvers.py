"""The maneuvers that a plan may ask of a vehicle."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from testbed.description import messages
from testbed.description.model import Description, Inconsistent, Vector

SPEED_LIMIT = 0.06
"""Default speed of a move, m/s: a little under the floor limit of the demo vehicles."""
RATE_LIMIT_DEG = 6.0


class Pose(Description):
    """Position and attitude of base_link in the fixed frame."""

    x: float = Field(description="Position, m")
    y: float = Field(description="Position, m")
    z: float = Field(default=0.0, description="Position, m (on the table the vehicle's floor_height holds instead)")
    heading_deg: float = Field(default=0.0, ge=-360.0, le=360.0, description="Heading about z, degrees")
    attitude_deg: Vector | None = Field(
        default=None, description="Roll, pitch, yaw about the fixed axes in that order, degrees; instead of heading_deg"
    )


class Hold(Description):
    """Stay at a pose for a time; without a pose, at the one the plan has asked for so far."""

    kind: Literal["hold"]
    duration: float = Field(gt=0.0, le=3600.0, description="How long, s")
    pose: Pose | None = Field(default=None, description="Where; near the pose before, as hold plans no path")
    deadband: float | None = Field(
        default=None,
        gt=0.0,
        le=0.5,
        description="Drift within ± so much along each axis of the vehicle to save gas, m; goes with deadband_deg",
    )
    deadband_deg: float | None = Field(
        default=None, gt=0.0, le=30.0, description="Drift within ± so much about each axis, degrees; goes with deadband"
    )

    @model_validator(mode="after")
    def _both_deadbands(self) -> Self:
        if (self.deadband is None) != (self.deadband_deg is None):
            missing, given = ("deadband", "deadband_deg") if self.deadband is None else ("deadband_deg", "deadband")
            raise Inconsistent(f"only together with {missing}, which is missing", given)
        return self


class Translate(Description):
    """Move in a straight line, at rest before and after; the attitude stays.

    As fast as one of three allows: speed_limit, duration (arrive then, with the least peak effort) or gas_g.
    """

    kind: Literal["translate"]
    x: float = Field(description="Goal, m")
    y: float = Field(description="Goal, m")
    z: float | None = Field(default=None, description="Goal, m; without it the height stays")
    speed_limit: float | None = Field(
        default=None,
        gt=0.0,
        le=1.0,
        description=f"Largest planned speed, m/s; {SPEED_LIMIT:g} where none of the three is given",
    )
    duration: float | None = Field(default=None, gt=0.0, le=3600.0, description="Arrive after this time, s")
    gas_g: float | None = Field(default=None, gt=0.0, description="As fast as this much gas allows, g")

    @model_validator(mode="after")
    def _one_way_to_fly(self) -> Self:
        _only_one(self, "speed_limit")
        return self


class Rotate(Description):
    """Turn the short way round, at rest before and after; the position stays.

    As fast as one of three allows: rate_limit_deg, duration (arrive then, with the least peak effort) or gas_g.
    """

    kind: Literal["rotate"]
    heading_deg: float | None = Field(default=None, ge=-360.0, le=360.0, description="Goal about z, degrees")
    attitude_deg: Vector | None = Field(default=None, description="Goal: roll, pitch, yaw about fixed axes, degrees")
    rate_limit_deg: float | None = Field(
        default=None,
        gt=0.0,
        le=90.0,
        description=f"Largest planned rate, degrees/s; {RATE_LIMIT_DEG:g} where none of the three is given",
    )
    duration: float | None = Field(default=None, gt=0.0, le=3600.0, description="Arrive after this time, s")
    gas_g: float | None = Field(default=None, gt=0.0, description="As fast as this much gas allows, g")

    @model_validator(mode="after")
    def _one_goal(self) -> Self:
        if (self.heading_deg is None) == (self.attitude_deg is None):
            raise Inconsistent("either heading_deg or attitude_deg")
        _only_one(self, "rate_limit_deg")
        return self


def _only_one(step: Translate | Rotate, limit: str) -> None:
    """Raises Inconsistent where more than one of `limit`, duration and gas_g is given."""
    given = [key for key in (limit, "duration", "gas_g") if getattr(step, key) is not None]
    if len(given) > 1:
        raise Inconsistent(f"only one of {limit}, duration and gas_g", given[-1])


class TrackPoint(Description):
    """A point that the reference passes at a time."""

    time: float = Field(ge=0.0, description="Time after the start of the maneuver, s")
    x: float = Field(description="Position, m")
    y: float = Field(description="Position, m")
    z: float | None = Field(default=None, description="Position, m; without it the height stays")
    heading_deg: float = Field(default=0.0, ge=-360.0, le=360.0, description="Heading about z, degrees")

    def distance(self, other: TrackPoint, place: Literal["table", "cabin"]) -> float:
        """Straight way to another point, m; heights count in the cabin where both are given."""
        rise = other.z - self.z if place == "cabin" and self.z is not None and other.z is not None else 0.0
        return math.hypot(other.x - self.x, other.y - self.y, rise)


class Track(Description):
    """Follow a reference through waypoints at their times; it begins where the vehicle is."""

    kind: Literal["track"]
    waypoints: tuple[TrackPoint, ...] = Field(min_length=2, max_length=messages.MAX_WAYPOINTS)

    @model_validator(mode="after")
    def _times_grow(self) -> Self:
        for index, (earlier, later) in enumerate(pairwise(self.waypoints), 1):
            if later.time <= earlier.time:
                raise Inconsistent(f"more than {earlier.time:g} s, the time before", "waypoints", index, "time")
        return self


class FormationStep(Description):
    """Take the own place in a formation of the plan and keep it, while the way there keeps clear of all others."""

    kind: Literal["formation"]
    formation: str = Field(min_length=1, description="Which of the plan's formations")
    duration: float = Field(gt=0.0, le=3600.0, description="How long, way and keeping it together, s")


Single = Hold | Translate | Rotate | Track
"""What one vehicle flies whatever others do."""
Step = Annotated[Single | FormationStep, Field(discriminator="kind")]
"""One entry of a vehicle's list of maneuvers."""
