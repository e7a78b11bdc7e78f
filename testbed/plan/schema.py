"""A plan: one session in a place, its vehicles, its objectives, and the runs that are their evidence."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, StringConstraints, model_validator

from testbed.description.effects import Effect
from testbed.description.faults import AnyFault
from testbed.description.model import Description, Inconsistent
from testbed.plan.criteria_schema import AnyAbort, AnyCriterion, AttitudeError, PositionError
from testbed.plan.formation_schema import AnyKeepOut, Formation, FormationName, KeepOutBox, MovingFrame
from testbed.plan.maneuvers import Hold, Pose, Step

VehicleName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]*$", max_length=30)]


class PlannedVehicle(Description):
    """Which vehicle takes part, and what stands behind its topics."""

    file: str = Field(min_length=1, description="Vehicle file, such as vehicles/wren.yaml")
    kind: Literal["simulated", "bench", "floor"] = Field(
        default="simulated", description="simulated: emulated; bench: real valves; floor: real vehicle"
    )
    camera: bool = Field(default=False, description="Whether the emulated vehicle's camera takes pictures")


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
    when the time of a hold, track or formation is over. A vehicle without a start pose goes on from where it is when
    the try before passed, and is otherwise put where the plan expects it. In a run of kind manual vehicles hold until a
    person sends goals, and the run is over when its time is up.
    """

    name: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=40, description="Unique in the plan")
    purpose: str = Field(min_length=1, description="What the run is for, in a sentence")
    kind: Literal["maneuvers", "manual"] = Field(
        default="maneuvers", description="maneuvers: those listed here; manual: where the topic `goal` says, then hold"
    )
    required: bool = Field(default=True, description="Whether the session fails when this run fails")
    tries: int = Field(default=1, ge=1, le=20, description="Tries allowed until one passes")
    time_limit: float = Field(
        gt=0.0, le=3600.0, description="A try that takes longer fails, s; a manual one is over then"
    )
    settle: float = Field(default=2.0, ge=0.0, le=60.0, description="Time at the start poses before the try begins, s")
    start: dict[VehicleName, Pose] = Field(
        default={}, description="Start pose of each vehicle that is to be put somewhere"
    )
    maneuvers: dict[VehicleName, tuple[Step, ...]] = Field(
        default={}, description="Maneuvers of each vehicle, in order; a vehicle without any holds"
    )
    together: bool = Field(
        default=False, description="Whether the next maneuver of each vehicle waits for all vehicles"
    )
    criteria: tuple[AnyCriterion, ...] = Field(min_length=1, description="All must be met for the try to pass")
    abort: tuple[AnyAbort, ...] | None = Field(
        default=None, description="Any of these ends a try at once with a hold; without it those of the plan hold"
    )
    faults: tuple[AnyFault, ...] = Field(
        default=(), description="What breaks in each try, beside the faults of the plan"
    )

    @model_validator(mode="after")
    def _maneuvers_fit_its_kind(self) -> Self:
        if self.kind == "maneuvers" and not self.maneuvers:
            raise Inconsistent("those of at least one vehicle", "maneuvers")
        if self.kind == "manual" and self.maneuvers:
            raise Inconsistent("left out in a run of kind manual, in which a person sends goals", "maneuvers")
        for index, criterion in enumerate(self.criteria):
            errs = isinstance(criterion, PositionError | AttitudeError) and criterion.against == "goal"
            if self.kind == "manual" and errs:
                raise Inconsistent("reference in a run of kind manual", "criteria", index, "against")
        return self

    @property
    def manual(self) -> bool:
        """Whether a person steers."""
        return self.kind == "manual"

    def steps(self, vehicle: str) -> tuple[Step, ...]:
        """What a vehicle is asked to do, in order; in a manual run to hold, as far as the plan knows."""
        if self.manual:
            return (Hold(kind="hold", duration=self.time_limit),)
        return self.maneuvers.get(vehicle, ())


Corner = Annotated[tuple[float, ...], Field(min_length=2, max_length=3)]


class SeparationLimit(Description):
    """What the safety filter of every vehicle goes by in a session of two or more, and what it states of them."""

    guaranteed: bool = Field(default=True, description="false: without a safety filter nobody keeps vehicles apart")
    minimum: float | None = Field(
        default=None, gt=0.0, le=10.0, description="Least distance centre to centre, m; the room's where left out"
    )
    position_error: float = Field(
        default=0.016, gt=0.0, le=1.0, description="What an estimated position is wrong by at most, m"
    )
    velocity_error: float = Field(
        default=0.008, gt=0.0, le=1.0, description="What an estimated velocity is wrong by at most, m/s"
    )
    stray: float = Field(
        default=0.0, ge=0.0, le=10.0, description="Acceleration of a vehicle that does not cooperate any more, m/s²"
    )


class SessionLimits(Description):
    """What the guard and the safety filter of every vehicle keep it within.

    What is left out is the vehicle's own, or the room's.
    """

    speed: float | None = Field(default=None, gt=0.0, description="Largest speed of the centre of mass, m/s")
    spin_deg: float | None = Field(default=None, gt=0.0, description="Largest spin, degrees per second")
    contact_energy: float | None = Field(
        default=None, gt=0.0, description="Largest kinetic energy that could go into a contact, J"
    )
    work_area: tuple[Corner, Corner] | None = Field(
        default=None, description="Lower and upper corner for the vehicle's centre, m: x, y, in the cabin z too"
    )

    separation: SeparationLimit = Field(
        default=SeparationLimit(), description="What the safety filter keeps vehicles apart by"
    )

    @model_validator(mode="after")
    def _corners_are_in_order(self) -> Self:
        if self.work_area is not None:
            low, high = self.work_area
            if len(low) != len(high) or any(a >= b for a, b in zip(low, high, strict=True)):
                raise Inconsistent("[lower corner, upper corner], each coordinate of the first smaller", "work_area")
        return self


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
    switched_off: tuple[Effect, ...] = Field(
        default=(), description="Effects that the emulated plant goes without; flight code still reckons with them"
    )
    vehicles: dict[VehicleName, PlannedVehicle] = Field(
        min_length=1, max_length=8, description="By the name they have here"
    )
    gas_limit_ppm: float | None = Field(
        default=None,
        gt=0.0,
        le=1e6,
        description="Released gas in the room's air that is warned of, parts per million by volume",
    )
    limits: SessionLimits = Field(default=SessionLimits(), description="What the guard keeps vehicles within")
    formations: dict[FormationName, Formation] = Field(
        default={}, description="What maneuvers of kind formation take their places in, by name"
    )
    keep_out: tuple[AnyKeepOut, ...] = Field(
        default=(), max_length=16, description="Where no vehicle's body may be; known to plans, not sensed"
    )
    objectives: tuple[Objective, ...] = ()
    abort: tuple[AnyAbort, ...] = Field(default=(), description="Abort criteria of every run that has none of its own")
    faults: tuple[AnyFault, ...] = Field(default=(), description="What breaks in every try of every run")
    runs: tuple[Run, ...] = Field(min_length=1, max_length=200)

    @model_validator(mode="after")
    def _place_has_its_file(self) -> Self:
        other = "cabin" if self.place == "table" else "table"
        if getattr(self, self.place) is None:
            raise Inconsistent(f"with a {self.place} file, which is missing", "place")
        if getattr(self, other) is not None:
            raise Inconsistent(f"left out where place is {self.place}", other)
        area, dimensions = self.limits.work_area, 2 if self.place == "table" else 3
        if area is not None and len(area[0]) != dimensions:
            raise Inconsistent(
                f"corners of {dimensions} coordinates where place is {self.place}", "limits", "work_area"
            )
        for index, zone in enumerate(self.keep_out):
            if isinstance(zone, KeepOutBox) and len(zone.low) != dimensions:
                allowed = f"a corner of {dimensions} coordinates where place is {self.place}"
                raise Inconsistent(allowed, "keep_out", index, "low")
        for name, formation in self.formations.items():
            frame = formation.frame
            if isinstance(frame, MovingFrame) and len(frame.velocity) > dimensions:
                allowed = f"{dimensions} components where place is {self.place}"
                raise Inconsistent(allowed, "formations", name, "frame", "velocity")
        return self

    def aborts(self, run: Run) -> tuple[AnyAbort, ...]:
        """Abort criteria that hold in a run."""
        return self.abort if run.abort is None else run.abort

    def faults_of(self, run: str) -> tuple[AnyFault, ...]:
        """All faults of a run by its name: those of the plan, then its own; the plan's alone if there is none."""
        return self.faults + tuple(fault for one in self.runs if one.name == run for fault in one.faults)
