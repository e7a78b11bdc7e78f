"""Names in a plan that lead nowhere or twice to the same, and what is not there yet."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.description.load import Loaded
from testbed.plan.schema import Plan


def check(loaded: Loaded[Plan]) -> Iterator[Problem]:
    """Look at the plan alone."""
    yield from _not_there_yet(loaded)
    yield from _twice(loaded)
    yield from _vehicles(loaded)
    yield from _objectives(loaded)


def _not_there_yet(loaded: Loaded[Plan]) -> Iterator[Problem]:
    plan, source = loaded.description, loaded.source
    for name, vehicle in plan.vehicles.items():
        if vehicle.kind != "simulated":
            yield source.problem(
                ("vehicles", name, "kind"), vehicle.kind, f"simulated; {vehicle.kind} is not there yet"
            )


def _twice(loaded: Loaded[Plan]) -> Iterator[Problem]:
    plan = loaded.description
    names: list[tuple[list[tuple[str | int, ...]], list[str]]] = [
        ([("runs", index, "name") for index in range(len(plan.runs))], [run.name for run in plan.runs]),
        (
            [("objectives", index, "name") for index in range(len(plan.objectives))],
            [objective.name for objective in plan.objectives],
        ),
    ]
    for index, run in enumerate(plan.runs):
        locations = [("runs", index, "criteria", number, "name") for number in range(len(run.criteria))]
        names.append((list(locations), [criterion.name for criterion in run.criteria]))
    for places, values in names:
        for number, (location, value) in enumerate(zip(places, values, strict=True)):
            if value in values[:number]:
                yield loaded.source.problem(location, value, "a name that is not taken yet")


def _vehicles(loaded: Loaded[Plan]) -> Iterator[Problem]:
    plan, source = loaded.description, loaded.source
    allowed = f"a vehicle of the plan: {', '.join(plan.vehicles)}"
    for index, run in enumerate(plan.runs):
        for key, given in (("start", run.start), ("maneuvers", run.maneuvers)):
            for name in given:
                if name not in plan.vehicles:
                    yield source.problem(("runs", index, key, name), name, allowed)
        for number, criterion in enumerate(run.criteria):
            for position, name in enumerate(criterion.vehicles or ()):
                if name not in plan.vehicles:
                    location = ("runs", index, "criteria", number, "vehicles", position)
                    yield source.problem(location, name, allowed)
    for name in plan.vehicles:
        if not any(name in run.start for run in plan.runs[:1]):
            missing = f"also a start pose for {name}, as this is the first run"
            yield source.problem(("runs", 0, "start"), sorted(plan.runs[0].start), missing)


def _objectives(loaded: Loaded[Plan]) -> Iterator[Problem]:
    plan, source = loaded.description, loaded.source
    runs = {run.name: [criterion.name for criterion in run.criteria] for run in plan.runs}
    for index, objective in enumerate(plan.objectives):
        for number, evidence in enumerate(objective.evidence):
            location = ("objectives", index, "evidence", number)
            if evidence.run not in runs:
                yield source.problem((*location, "run"), evidence.run, f"a run of the plan: {', '.join(runs)}")
                continue
            for position, name in enumerate(evidence.criteria):
                if name not in runs[evidence.run]:
                    known = f"a criterion of {evidence.run}: {', '.join(runs[evidence.run])}"
                    yield source.problem((*location, "criteria", position), name, known)
