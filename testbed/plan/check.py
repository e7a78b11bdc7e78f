"""Every problem of a plan at once, before anything starts."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from testbed.description.errors import ConfigurationError, Problem
from testbed.description.load import load
from testbed.plan.checks import (
    cameras,
    endurance,
    faults,
    formation_references,
    formations,
    gas,
    guard,
    keep_out,
    limits,
    own_parts,
    parking,
    places,
    quiet,
    reach,
    references,
    separation,
)
from testbed.plan.checks.subject import Subject
from testbed.plan.configuration import load_configuration
from testbed.plan.schema import Plan


def check(plan_path: Path) -> list[Problem]:
    """Return all that is wrong with a plan and the files it names; an empty list means that it can be flown."""
    try:
        loaded = load(plan_path, Plan)
    except ConfigurationError as error:
        return error.problems
    nowhere = list(formation_references.check(loaded))
    problems = [*references.check(loaded), *nowhere]
    try:
        configuration = load_configuration(plan_path)
    except ConfigurationError as error:
        return _in_order([*problems, *error.problems])
    problems.extend(cameras.check(configuration))
    problems.extend(faults.check(configuration))
    problems.extend(quiet.check(configuration))
    problems.extend(own_parts.check(configuration))
    if nowhere:  # then it is not known where vehicles are
        return _in_order(problems)
    subject = Subject.of(configuration)
    problems.extend(_of_ways(subject))
    for part in (parking, reach, gas, endurance, guard, separation):
        problems.extend(part.check(subject))
    return _in_order(problems)


def _of_ways(subject: Subject) -> Iterator[Problem]:
    """Poses, then ways, then what is judged on them.

    A wrong formation leads to wrong ways: where there are formations, each of these counts only without any before.
    """
    poses = (places.check, keep_out.check, formations.shapes)
    ways = (places.paths, keep_out.paths)
    found = False
    for parts in (poses, (formations.ways,), ways, (limits.check,)):
        problems = [problem for part in parts for problem in part(subject)]
        yield from problems
        found = found or bool(problems)
        if found and subject.configuration.plan.formations:
            return


def _in_order(problems: list[Problem]) -> list[Problem]:
    """By file and line, each once."""
    unique = {str(problem): problem for problem in problems}
    return sorted(unique.values(), key=lambda problem: (str(problem.file), problem.line or 0))
