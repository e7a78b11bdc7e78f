"""Every problem of a plan at once, before anything starts."""

from __future__ import annotations

from pathlib import Path

from testbed.description.errors import ConfigurationError, Problem
from testbed.description.load import load
from testbed.plan.checks import (
    cameras,
    endurance,
    faults,
    gas,
    guard,
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
    problems = list(references.check(loaded))
    try:
        configuration = load_configuration(plan_path)
    except ConfigurationError as error:
        return _in_order([*problems, *error.problems])
    problems.extend(cameras.check(configuration))
    problems.extend(faults.check(configuration))
    problems.extend(quiet.check(configuration))
    problems.extend(own_parts.check(configuration))
    subject = Subject.of(configuration)
    for part in (places, parking, reach, gas, endurance, limits, guard, separation):
        problems.extend(part.check(subject))
    return _in_order(problems)


def _in_order(problems: list[Problem]) -> list[Problem]:
    """By file and line, each once."""
    unique = {str(problem): problem for problem in problems}
    return sorted(unique.values(), key=lambda problem: (str(problem.file), problem.line or 0))
