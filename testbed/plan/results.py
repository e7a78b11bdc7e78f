"""What became of each run and each of its tries."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from testbed.plan.criteria import CriterionResult


class Verdict(StrEnum):
    """How a try ended."""

    PASSED = "passed"
    FAILED = "failed"
    ABORTED = "aborted"
    """An abort criterion ended it."""
    HELD = "held"
    """The operator held."""
    ENDED = "ended"
    """The operator skipped, repeated or ended the session."""
    STOPPED = "stopped"
    VOID = "void"
    """Declared void by name and with a reason; it stays in the results."""


COUNTED = frozenset({Verdict.PASSED, Verdict.FAILED, Verdict.ABORTED})
"""Verdicts that use up one of the tries allowed."""


@dataclass(frozen=True)
class Ending:
    """A try that is over and waits to be judged; without a verdict its criteria decide."""

    stamp: int
    verdict: Verdict | None
    reason: str


@dataclass(frozen=True)
class TryResult:
    """One try, from stamp `start` to stamp `end` ns. `reason` says in a sentence why it ended as it did."""

    attempt: int
    verdict: Verdict
    reason: str
    start: int
    end: int
    criteria: tuple[CriterionResult, ...] = ()


@dataclass(frozen=True)
class RunResult:
    """One run with all its tries, void ones too."""

    name: str
    required: bool
    tries: tuple[TryResult, ...] = ()
    skipped: bool = False

    @property
    def passed(self) -> bool:
        """Whether any try passed."""
        return any(one.verdict is Verdict.PASSED for one in self.tries)

    @property
    def counted(self) -> int:
        """How many of the tries allowed are used up."""
        return sum(one.verdict in COUNTED for one in self.tries)
