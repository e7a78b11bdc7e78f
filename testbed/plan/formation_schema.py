"""Formations and keep-out zones as a person writes them into a plan."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from testbed.description.model import Description, Inconsistent, Vector

FormationName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=30)]
Components = Annotated[tuple[float, ...], Field(min_length=2, max_length=3)]


class Line(Description):
    """As many places as the formation has vehicles, in a line about the frame's origin."""

    kind: Literal["line"]
    spacing: float = Field(gt=0.0, le=20.0, description="Distance of neighbours, m")
    direction_deg: float = Field(
        default=0.0, ge=-360.0, le=360.0, description="Direction of the line from the frame's x axis, about z, degrees"
    )


class Ring(Description):
    """As many places as the formation has vehicles, on a circle about the frame's z axis, the first on its x axis."""

    kind: Literal["ring"]
    spacing: float = Field(gt=0.0, le=20.0, description="Distance of neighbours, m, in a straight line")


class SlotPlace(Description):
    """One place in the frame."""

    x: float = Field(description="Position in the frame, m")
    y: float = Field(description="Position in the frame, m")
    z: float = Field(default=0.0, description="Position in the frame, m (ignored on the table)")
    heading_deg: float | None = Field(
        default=None, ge=-360.0, le=360.0, description="Heading in the frame, degrees; that of the formation without it"
    )
    vehicle: str | None = Field(
        default=None, description="Whose place it is, however far; without it that of whoever is assigned to it"
    )


class PlaceList(Description):
    """Places one by one, as many as the formation has vehicles or more."""

    kind: Literal["list"]
    places: tuple[SlotPlace, ...] = Field(min_length=1, max_length=16)


AnySlots = Annotated[Line | Ring | PlaceList, Field(discriminator="kind")]


class PointFrame(Description):
    """A frame at rest."""

    kind: Literal["point"]
    x: float = Field(description="Origin, m")
    y: float = Field(description="Origin, m")
    z: float = Field(default=0.0, description="Origin, m (ignored on the table)")
    heading_deg: float = Field(default=0.0, ge=-360.0, le=360.0, description="Heading about z, degrees")


class MovingFrame(Description):
    """A frame that moves and turns steadily from the start of the first maneuver of its formation in a try on.

    While nobody flies the formation its time stands still.
    """

    kind: Literal["moving"]
    x: float = Field(description="Origin at the start, m")
    y: float = Field(description="Origin at the start, m")
    z: float = Field(default=0.0, description="Origin at the start, m (ignored on the table)")
    heading_deg: float = Field(default=0.0, ge=-360.0, le=360.0, description="Heading at the start about z, degrees")
    velocity: Components = Field(
        default=(0.0, 0.0), description="Velocity of the origin, m/s: x, y, in the cabin z too"
    )
    turn_deg: float = Field(default=0.0, ge=-30.0, le=30.0, description="Turn about z, degrees/s")


class LeaderFrame(Description):
    """The pose of a vehicle that flies its own maneuvers."""

    kind: Literal["leader"]
    vehicle: str = Field(min_length=1, description="The vehicle whose pose is the frame")


AnyFrame = Annotated[PointFrame | MovingFrame | LeaderFrame, Field(discriminator="kind")]


class Formation(Description):
    """Places in a frame for several vehicles.

    Who takes which is worked out from the plan, for each run anew: the least sum of squared ways, which never cross.
    """

    slots: AnySlots
    frame: AnyFrame
    vehicles: tuple[str, ...] = Field(min_length=1, max_length=8, description="Who may take part; not the leader")
    heading_deg: float = Field(
        default=0.0, ge=-360.0, le=360.0, description="Heading of each vehicle in the frame, degrees"
    )


class KeepOutCircle(Description):
    """A disc on the table, a ball in the cabin, where no vehicle's body may be."""

    kind: Literal["circle"]
    name: str = Field(min_length=1, max_length=60, description="Unique in the plan")
    x: float = Field(description="Centre, m")
    y: float = Field(description="Centre, m")
    z: float = Field(default=0.0, description="Centre, m (ignored on the table)")
    radius: float = Field(gt=0.0, le=20.0, description="Radius, m")


class KeepOutBox(Description):
    """A rectangle on the table, a box in the cabin, along the axes, where no vehicle's body may be."""

    kind: Literal["box"]
    name: str = Field(min_length=1, max_length=60, description="Unique in the plan")
    low: Components = Field(description="Lower corner, m: x, y, in the cabin z too")
    high: Components = Field(description="Upper corner, m")

    @model_validator(mode="after")
    def _corners_are_in_order(self) -> Self:
        if len(self.low) != len(self.high) or any(a >= b for a, b in zip(self.low, self.high, strict=True)):
            raise Inconsistent("as many coordinates as low, each larger", "high")
        return self


AnyKeepOut = Annotated[KeepOutCircle | KeepOutBox, Field(discriminator="kind")]


def full(components: tuple[float, ...]) -> Vector:
    """Two or three components as three; the third is 0 where it is left out."""
    x, y, z = (*components, 0.0)[:3]
    return x, y, z
