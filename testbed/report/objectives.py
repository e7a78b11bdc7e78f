"""The matrix objective → run → try → criterion → value → limit → time in the recording."""

from __future__ import annotations

from dataclasses import dataclass

from testbed.plan.criteria import CriterionResult
from testbed.plan.schema import Objective
from testbed.report.session import RunOutcome, Session, Try


@dataclass(frozen=True)
class Row:
    """One line of evidence; without a result where none was taken, without a try where the run was not made."""

    run: str
    criterion: str
    one: Try | None
    result: CriterionResult | None


@dataclass(frozen=True)
class ObjectiveOutcome:
    """An objective with all its evidence; met if each run it names has a passed try in which its criteria were met."""

    objective: Objective
    rows: tuple[Row, ...]
    met: bool


def outcomes(session: Session) -> tuple[ObjectiveOutcome, ...]:
    """Every objective of the plan, with the evidence from every try."""
    runs = {run.plan.name: run for run in session.runs}
    return tuple(_outcome(objective, runs) for objective in session.configuration.plan.objectives)


def _outcome(objective: Objective, runs: dict[str, RunOutcome]) -> ObjectiveOutcome:
    rows: list[Row] = []
    met = True
    for evidence in objective.evidence:
        run = runs[evidence.run]
        met = met and run.passed
        for name in evidence.criteria:
            for one in run.tries:
                found = [Row(evidence.run, name, one, result) for result in one.criteria if result.name == name]
                rows += found or [Row(evidence.run, name, one, None)]
            if not run.tries:
                rows.append(Row(evidence.run, name, None, None))
    return ObjectiveOutcome(objective, tuple(rows), met)
