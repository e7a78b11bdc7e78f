"""Hold the conductor's account of a try against the evaluation from the recording."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from testbed.plan.criteria import CriterionResult
from testbed.plan.results import Verdict

TOLERANCE: Final = 0.01
"""Values may differ by this share of the limit: on wall time a message can reach conductor and recorder apart."""


@dataclass(frozen=True)
class Disagreement:
    """What the conductor said, and what the recording says."""

    about: str
    conductor: str
    recording: str


def compare(
    evaluated: Sequence[CriterionResult], told: Iterable[CriterionResult], verdict: Verdict
) -> tuple[Disagreement, ...]:
    """Find every criterion on which both do not agree, and a verdict that the criteria do not bear out."""
    by_key = {(result.name, result.vehicle): result for result in told}
    found = []
    for result in evaluated:
        said = by_key.pop(_key(result, by_key), None)
        about = f"{result.name} {result.vehicle}".strip()
        if said is None:
            found.append(Disagreement(about, "said nothing", describe(result)))
        elif said.passed != result.passed or not _same_value(said, result):
            found.append(Disagreement(about, describe(said), describe(result)))
    found += [
        Disagreement(f"{said.name} {said.vehicle}".strip(), describe(said), "has no such result")
        for said in by_key.values()
    ]
    missed = [result.name for result in evaluated if not result.passed]
    if verdict is Verdict.PASSED and missed:
        found.append(Disagreement("verdict", "passed", f"not met: {', '.join(missed)}"))
    return tuple(found)


def describe(result: CriterionResult) -> str:
    """A result in a few words."""
    value = "not measured" if result.value is None else f"{result.value:.4g} {result.unit}"
    return f"{value}, {'met' if result.passed else 'not met'}{f' ({result.note})' if result.note else ''}"


def _key(result: CriterionResult, known: dict[tuple[str, str], CriterionResult]) -> tuple[str, str]:
    """Name and vehicle; the name alone where it is about pairs, whose worst may be another one."""
    if (result.name, result.vehicle) in known:
        return result.name, result.vehicle
    same_name = [key for key in known if key[0] == result.name]
    return same_name[0] if len(same_name) == 1 else (result.name, result.vehicle)


def _same_value(a: CriterionResult, b: CriterionResult) -> bool:
    if a.value is None or b.value is None:
        return a.value is b.value
    scale = abs(a.limit) or 1.0
    return math.isclose(a.value, b.value, rel_tol=0.0, abs_tol=TOLERANCE * scale)
