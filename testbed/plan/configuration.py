"""Everything a session is made of: the plan, all files as read, resolved descriptions, seed and versions.

It travels as one JSON on `/plan/configuration` and into the recording, and can be had back from that JSON alone.
"""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from importlib import metadata
from pathlib import Path
from typing import Any, Final, Literal, TypeVar

from pydantic import BaseModel

import testbed
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.errors import ConfigurationError, Problem
from testbed.description.faults import ValveStuckOpen
from testbed.description.grid_file import with_heights
from testbed.description.load import Loaded, load
from testbed.description.locate import locate
from testbed.description.noise import Noise
from testbed.description.source import Source, parse
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.plan.schema import Plan

D = TypeVar("D", bound=BaseModel)

LIBRARIES: Final = ("numpy", "scipy", "numba", "pydantic", "ruamel.yaml")
PLAN_ROLE: Final = "plan"
NO_SAFETY_FILTER: Final = (
    "no safety filter: limits.separation.guaranteed is false; nothing but plan and people keeps vehicles apart"
)


@dataclass(frozen=True)
class Configuration:
    """A session, ready to be flown; made by `load_configuration` or `Configuration.from_json`.

    `vehicles` are by the name the plan gives them, which is also each one's `name`. `sources` are the files as read, by
    their role: plan, table, cabin, beacons, noise, vehicles.NAME. `seed` is the plan's or the one given instead.
    """

    plan: Plan
    vehicles: Mapping[str, Vehicle]
    table: Table | None
    cabin: Cabin | None
    beacons: Beacons
    noise: Noise
    seed: int
    sources: Mapping[str, Source]
    versions: Mapping[str, str]

    @property
    def place(self) -> Literal["table", "cabin"]:
        """Where the session takes place; also the name of the fixed frame."""
        return self.plan.place

    @property
    def active_axes(self) -> tuple[str, ...]:
        """Axes that the place leaves free."""
        return TABLE_AXES if self.place == "table" else CABIN_AXES

    @property
    def room(self) -> Table | Cabin:
        """Where the session takes place."""
        room = self.table if self.table is not None else self.cabin
        assert room is not None, "the schema of a plan sees to it that one of both is there"
        return room

    @property
    def provenance(self) -> tuple[str, ...]:
        """What whoever reads results should know of where the room's figures come from, a sentence each."""
        return () if self.table is None else self.table.provenance

    @property
    def cautions(self) -> tuple[str, ...]:
        """What whoever runs the session must know that the plan does without, a sentence each."""
        if len(self.vehicles) < 2:
            return ()
        return tuple(self._stray()) if self.plan.limits.separation.guaranteed else (NO_SAFETY_FILTER,)

    def _stray(self) -> Iterator[str]:
        """Of each valve that the plan lets stay open, where it pushes harder than the safety filter is told of."""
        stated = self.plan.limits.separation.stray
        faults = [*self.plan.faults, *(fault for run in self.plan.runs for fault in run.faults)]
        for name, valve in dict.fromkeys((one.vehicle, one.valve) for one in faults if isinstance(one, ValveStuckOpen)):
            vehicle = self.vehicles.get(name)
            thrusts = {one.name: one.thrust for one in vehicle.thrusters.valves} if vehicle else {}
            if vehicle is None or valve not in thrusts:  # the check has more to say of that
                continue
            push = thrusts[valve] / vehicle.mass_properties(self.place).mass
            if push > stated:
                yield (
                    f"{valve} of {name} is to stay open, which gives it {push:.4f} m/s² where limits.separation.stray"
                    f" states {stated:g}: from then on no separation from {name} is guaranteed"
                )

    def cameras_on(self) -> tuple[str, ...]:
        """Names of the vehicles whose cameras the plan switches on."""
        return tuple(name for name, planned in self.plan.vehicles.items() if planned.camera)

    def resolved(self) -> dict[str, Any]:
        """Return every value that decides what happens, defaults included, as plain data."""
        return {
            "seed": self.seed,
            "plan": self.plan.model_dump(mode="json"),
            "vehicles": {name: vehicle.model_dump(mode="json") for name, vehicle in self.vehicles.items()},
            "table": self.table.model_dump(mode="json") if self.table else None,
            "cabin": self.cabin.model_dump(mode="json") if self.cabin else None,
            "beacons": self.beacons.model_dump(mode="json"),
            "noise": self.noise.model_dump(mode="json"),
        }

    @property
    def plan_hash(self) -> str:
        """SHA-256 over the resolved values; the same for files that differ only in comments or places on disk."""
        text = json.dumps(self.resolved(), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()

    def to_json(self) -> str:
        """Write the message on `/plan/configuration`."""
        files = {
            role: {"path": str(source.path), "sha256": source.sha256, "text": source.text}
            for role, source in self.sources.items()
        }
        content = {
            "plan_hash": self.plan_hash,
            "resolved": self.resolved(),
            "files": files,
            "versions": dict(self.versions),
            "provenance": self.provenance,
            "cautions": self.cautions,
        }
        return json.dumps(content)

    @classmethod
    def from_json(cls, text: str) -> Configuration:
        """Restore a session from its message. No file is read.

        Raises:
            ValueError: this is no such message, or its values do not agree with its hash.

        """
        content = json.loads(text)
        try:
            values = content["resolved"]
            restored = cls(
                plan=_restore(Plan, values["plan"]),
                vehicles={name: _restore(Vehicle, value) for name, value in values["vehicles"].items()},
                table=_restore(Table, values["table"]) if values["table"] else None,
                cabin=_restore(Cabin, values["cabin"]) if values["cabin"] else None,
                beacons=_restore(Beacons, values["beacons"]),
                noise=_restore(Noise, values["noise"]),
                seed=values["seed"],
                sources={role: parse(file["text"], Path(file["path"])) for role, file in content["files"].items()},
                versions=content["versions"],
            )
        except (KeyError, TypeError) as error:
            raise ValueError(f"not a configuration of a session: {error!r}") from None
        if restored.plan_hash != content["plan_hash"]:
            raise ValueError("the configuration does not agree with its own hash")
        return restored

    def with_seed(self, seed: int) -> Configuration:
        """Return the same session with other random draws."""
        return replace(self, seed=seed)


def load_configuration(plan_path: Path, seed: int | None = None) -> Configuration:
    """Read a plan and every file it names; the values of each are sound, but `check` has not looked at what they mean.

    Raises:
        ConfigurationError: with every problem of every file.

    """
    loaded_plan = load(plan_path, Plan)
    plan, problems = loaded_plan.description, list[Problem]()
    sources = {PLAN_ROLE: loaded_plan.source}

    def part(kind: type[D], name: str, *location: str) -> D | None:
        try:
            loaded = load(_find(name, loaded_plan, location), kind)
        except ConfigurationError as error:
            problems.extend(problem for problem in error.problems if problem not in problems)
            return None
        sources[".".join(location[:2])] = loaded.source
        return loaded.description

    table = part(Table, plan.table, "table") if plan.table is not None else None
    if table is not None:
        try:
            table = with_heights(table, sources["table"])
        except ConfigurationError as error:
            problems.extend(error.problems)
    cabin = part(Cabin, plan.cabin, "cabin") if plan.cabin is not None else None
    beacons = part(Beacons, plan.beacons, "beacons")
    noise = part(Noise, plan.noise, "noise")
    vehicles = {}
    for name, planned in plan.vehicles.items():
        if vehicle := part(Vehicle, planned.file, "vehicles", name, "file"):
            vehicles[name] = vehicle.model_copy(update={"name": name})
    if problems or beacons is None or noise is None:
        raise ConfigurationError(problems)
    chosen = plan.seed if seed is None else seed
    return Configuration(plan, vehicles, table, cabin, beacons, noise, chosen, sources, versions())


def versions() -> dict[str, str]:
    """Return the version of this package, of Python and of the libraries that results depend on."""
    found = {"testbed": testbed.__version__, "python": platform.python_version(), "machine": platform.machine()}
    return found | {library: metadata.version(library) for library in LIBRARIES}


def _find(name: str, plan: Loaded[Plan], location: tuple[str, ...]) -> Path:
    try:
        path = locate(name, plan=plan.source.path)
    except ConfigurationError as error:
        raise ConfigurationError([plan.source.problem(location, name, error.problems[0].allowed)]) from None
    return path


def _restore(kind: type[D], value: Any) -> D:
    return kind.model_validate_json(json.dumps(value))
