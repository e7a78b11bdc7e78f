"""A plan: one session in a place, its vehicles, its objectives, and the runs that are their evidence."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from testbed.description.model import Description, Inconsistent
from testbed.plan.criteria_schema import AnyAbort, AnyCriterion
from testbed.plan.maneuvers import Pose, Step

VehicleName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=30)]


class PlannedVehicle(Description):
    """Which vehicle takes part, and what stands behind its topics."""

    file: str = Field(min_length=1, description="Vehicle file, such as vehicles/wren.yaml")
    kind: Literal["simulated", "bench", "floor"] = Field(
        default="simulated", description="simulated: emulated; bench: real valves; floor: real vehicle"
    )


class Evidence(Description):
    """Criteria of one run that show an objective was met."""

    run: str = Field(min_length=1, description="Name of the run")
    criteria: tuple[str, ...] = Field(min_length=1, description="Names of criteria of that run")


class Objective(Description):
    """Something that the session is to show."""

    name: str = Field(min_length=1, max_length=60, description="Unique in the plan")
    text: str = Field(min_length=1, description="What is to be shown, in a sentence")
    evidence: tuple[Evidence, ...] = Field(min_length=1)


class Run(Description):
    """One experiment: start poses, maneuvers, and what it is judged by.

    A vehicle's maneuvers are flown in order; the next one starts when guidance holds the goal of the one before, or
    when the time of a hold or track is over. A vehicle without a start pose goes on from where it is when the try
    before passed, and is otherwise put where the plan expects it.
    """

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40, description="Unique in the plan")
    purpose: str = Field(min_length=1, description="What the run is for, in a sentence")
    required: bool = Field(default=True, description="Whether the session fails when this run fails")
    tries: int = Field(default=1, ge=1, le=20, description="Tries allowed until one passes")
    time_limit: float = Field(gt=0.0, le=3600.0, description="A try that takes longer fails, s")
    settle: float = Field(default=2.0, ge=0.0, le=60.0, description="Time at the start poses before the try begins, s")
    start: dict[VehicleName, Pose] = Field(
        default={}, description="Start pose of each vehicle that is to be put somewhere"
    )
    maneuvers: dict[VehicleName, tuple[Step, ...]] = Field(
        min_length=1, description="Maneuvers of each vehicle, in order; a vehicle without any holds"
    )
    together: bool = Field(
        default=False, description="Whether the next maneuver of each vehicle waits for all vehicles"
    )
    criteria: tuple[AnyCriterion, ...] = Field(min_length=1, description="All must be met for the try to pass")
    abort: tuple[AnyAbort, ...] | None = Field(
        default=None, description="Any of these ends a try at once with a hold; without it those of the plan hold"
    )


class Plan(Description):
    """A session."""

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40)
    note: str = ""
    place: Literal["table", "cabin"] = "table"
    table: str | None = Field(default=None, description="Table file; needed on the table")
    cabin: str | None = Field(default=None, description="Cabin file; needed in the cabin")
    beacons: str = Field(min_length=1, description="Beacons file")
    noise: str = Field(min_length=1, description="Noise file")
    seed: int = Field(default=1, ge=0, lt=2**31, description="Seed of every random draw")
    vehicles: dict[VehicleName, PlannedVehicle] = Field(
        min_length=1, max_length=8, description="By the name they have here"
    )
    objectives: tuple[Objective, ...] = ()
    abort: tuple[AnyAbort, ...] = Field(default=(), description="Abort criteria of every run that has none of its own")
    runs: tuple[Run, ...] = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _place_has_its_file(self) -> Self:
        other = "cabin" if self.place == "table" else "table"
        if getattr(self, self.place) is None:
            raise Inconsistent(f"with a {self.place} file, which is missing", "place")
        if getattr(self, other) is not None:
            raise Inconsistent(f"left out where place is {self.place}", other)
        return self

    def aborts(self, run: Run) -> tuple[AnyAbort, ...]:
        """Abort criteria that hold in a run."""
        return self.abort if run.abort is None else run.abort
