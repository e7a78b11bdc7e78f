"""What a run may be judged by, and what ends a try at once."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from testbed.description.model import Description, Inconsistent


class Window(Description):
    """The part of a try that a criterion looks at, in seconds after the try began or before it ended."""

    last: float | None = Field(default=None, gt=0.0, description="The last seconds of the try")
    begin: float | None = Field(default=None, ge=0.0, description="From this time on, s; with end")
    end: float | None = Field(default=None, gt=0.0, description="Up to this time, s; with begin")

    @model_validator(mode="after")
    def _one_window(self) -> Self:
        if (self.begin is None) != (self.end is None) or (self.last is None) == (self.begin is None):
            raise Inconsistent("either {last: s} or {begin: s, end: s}")
        if self.begin is not None and self.end is not None and self.begin >= self.end:
            raise Inconsistent(f"more than begin, {self.begin:g} s", "end")
        return self


class Criterion(Description):
    """What every criterion has."""

    name: str = Field(min_length=1, max_length=60, description="Unique in its run; objectives name it")
    window: Window | None = Field(default=None, description="Without it the whole try counts")
    vehicles: tuple[str, ...] | None = Field(default=None, min_length=1, description="Without it all vehicles count")


class PositionError(Criterion):
    """Distance to where a vehicle should be never exceeds the limit."""

    kind: Literal["position_error"]
    limit: float = Field(gt=0.0, description="Largest distance, m")
    against: Literal["goal", "reference"] = Field(
        default="goal", description="goal: the last pose the run asks for; reference: guidance's moving reference"
    )


class AttitudeError(Criterion):
    """Angle to the attitude that a vehicle should have never exceeds the limit."""

    kind: Literal["attitude_error"]
    limit_deg: float = Field(gt=0.0, le=180.0, description="Largest angle, degrees")
    against: Literal["goal", "reference"] = Field(default="goal", description="As for position_error")


class Separation(Criterion):
    """Distance between any two vehicles, centre to centre, never falls below the minimum."""

    kind: Literal["separation"]
    minimum: float = Field(gt=0.0, description="Smallest distance, m")


class GasUsed(Criterion):
    """Each vehicle uses at most so much gas."""

    kind: Literal["gas_used"]
    limit_g: float = Field(gt=0.0, description="Largest mass of gas, g")


class ContactForce(Criterion):
    """No contact with a vehicle or an edge exceeds the limit."""

    kind: Literal["contact_force"]
    limit: float = Field(ge=0.0, description="Largest peak force, N")


class KeptOut(Criterion):
    """Distance between a vehicle's body and any keep-out zone of the plan never falls below the minimum."""

    kind: Literal["keep_out"]
    minimum: float = Field(default=0.0, ge=0.0, description="Smallest distance, m")


AnyCriterion = Annotated[
    PositionError | AttitudeError | Separation | KeptOut | GasUsed | ContactForce, Field(discriminator="kind")
]


class SeparationBelow(Description):
    """Two vehicles came too close."""

    kind: Literal["separation"]
    minimum: float = Field(gt=0.0, description="Smallest distance centre to centre, m")


class PositionErrorAbove(Description):
    """A vehicle left its reference."""

    kind: Literal["position_error"]
    limit: float = Field(gt=0.0, description="Largest distance to the reference, m")


class ContactForceAbove(Description):
    """A contact was too hard."""

    kind: Literal["contact_force"]
    limit: float = Field(ge=0.0, description="Largest peak force, N")


class Outside(Description):
    """The centre of a vehicle left the working area."""

    kind: Literal["outside"]
    margin: float = Field(default=0.0, ge=0.0, le=1.0, description="How far outside is still tolerated, m")


class Spin(Description):
    """A vehicle turns too fast."""

    kind: Literal["spin"]
    limit_deg: float = Field(gt=0.0, description="Largest rate, degrees/s")


class LostFix(Description):
    """A vehicle did not know where it is for too long."""

    kind: Literal["lost_fix"]
    longest: float = Field(gt=0.0, description="Longest time without a fix, s")


class LowGas(Description):
    """A vehicle's tank runs low."""

    kind: Literal["low_gas"]
    minimum_g: float = Field(gt=0.0, description="Smallest mass of gas in the tank, g")


class LowBattery(Description):
    """A vehicle's battery runs low: by its charge, its voltage under load, or whichever comes first."""

    kind: Literal["low_battery"]
    minimum_charge: float | None = Field(default=None, gt=0.0, lt=1.0, description="Smallest share of charge left")
    minimum_voltage: float | None = Field(default=None, gt=0.0, description="Smallest voltage under load, V")

    @model_validator(mode="after")
    def _some_limit(self) -> Self:
        if self.minimum_charge is None and self.minimum_voltage is None:
            raise Inconsistent("with minimum_charge, minimum_voltage or both")
        return self


AnyAbort = Annotated[
    SeparationBelow | PositionErrorAbove | ContactForceAbove | Outside | Spin | LostFix | LowGas | LowBattery,
    Field(discriminator="kind"),
]
