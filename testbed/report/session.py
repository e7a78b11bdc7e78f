"""What became of a session, put together from its recording alone: runs, tries, verdicts, and how it ended."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

from testbed.plan.commands import Event
from testbed.plan.configuration import Configuration
from testbed.plan.criteria import CriterionResult, evaluate
from testbed.plan.poses import planned_poses
from testbed.plan.results import COUNTED, Verdict
from testbed.plan.samples import TrySamples
from testbed.plan.schema import Run
from testbed.record.load import Recording
from testbed.record.recover import RecordingError
from testbed.report.comparison import Disagreement, compare
from testbed.report.samples import try_samples


@dataclass(frozen=True)
class Broken:
    """A fault in words, and when it was in force (stamps ns); `over` is None where it lasted to the end of the try.

    `live`: someone set it through the plant's parameter; the others are the plan's.
    """

    fault: str
    begin: int
    over: int | None
    live: bool


@dataclass(frozen=True)
class Try:
    """One try: what the conductor said of it, and what its criteria come to when they are evaluated again.

    `verdict` is the conductor's, or the declaration that the try is void; None where the session ended before it was
    judged. `start` is None for a try that never began to run; stamps in ns. `void`: reason and name of who declared it.
    """

    attempt: int
    verdict: Verdict | None
    reason: str
    start: int | None
    end: int
    criteria: tuple[CriterionResult, ...] = ()
    disagreements: tuple[Disagreement, ...] = ()
    void: tuple[str, str] | None = None
    samples: TrySamples | None = None
    broken: tuple[Broken, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether it counts as passed: the conductor said so, and the recording does not say otherwise."""
        return self.verdict is Verdict.PASSED and all(result.passed for result in self.criteria)

    @property
    def counted(self) -> bool:
        """Whether it used up one of the tries allowed."""
        return self.verdict in COUNTED


@dataclass(frozen=True)
class RunOutcome:
    """One run of the plan with all its tries, void ones too."""

    plan: Run
    tries: tuple[Try, ...]
    skipped: bool

    @property
    def passed(self) -> bool:
        """Whether any try passed."""
        return any(one.passed for one in self.tries)

    @property
    def verdict(self) -> str:
        """In a word or two: passed, skipped, failed, not completed (no try counts), not run."""
        if self.passed:
            return "passed"
        if self.skipped:
            return "skipped"
        if any(one.counted for one in self.tries):
            return "failed"
        return "not completed" if self.tries else "not run"


@dataclass(frozen=True)
class Session:
    """All runs of the plan, in its order."""

    configuration: Configuration
    runs: tuple[RunOutcome, ...]

    @property
    def passed(self) -> bool:
        """Whether every required run passed."""
        return all(run.passed for run in self.runs if run.plan.required)

    @property
    def disagreements(self) -> tuple[tuple[str, Try, Disagreement], ...]:
        """Run, try and what differs, wherever recording and conductor do not agree."""
        return tuple(
            (run.plan.name, one, found) for run in self.runs for one in run.tries for found in one.disagreements
        )


def judge(recording: Recording, declared: tuple[Event, ...] = ()) -> Session:
    """Judge every try of a session again from what was recorded; `declared`: tries declared void afterwards.

    Raises:
        RecordingError: the recording holds no configuration, so nothing can be judged.

    """
    configuration = recording.configuration
    if configuration is None:
        raise RecordingError(recording.folder, "/plan/configuration", None, "one, or nothing can be judged")
    runs = []
    for index, plan in enumerate(configuration.plan.runs):
        events = [event for event in recording.events if event.run == plan.name]
        voids = _voids((*recording.events, *declared), plan.name)
        tries = []
        for attempt in sorted({event.attempt for event in events if event.attempt > 0}):
            own = [event for event in events if event.attempt == attempt]
            one = _try(recording, configuration, index, attempt, own, voids)
            # a try that was announced but had not begun when the session ended left no trace worth a row
            if one.verdict is not None or one.start is not None:
                tries.append(one)
        skipped = any(event.kind == "skip" for event in events)
        runs.append(RunOutcome(plan, tuple(tries), skipped))
    return Session(configuration, tuple(runs))


def _try(
    recording: Recording,
    configuration: Configuration,
    run_index: int,
    attempt: int,
    events: Sequence[Event],
    voids: Mapping[int, tuple[str, str]],
) -> Try:
    run = configuration.plan.runs[run_index]
    verdict = _last(events, "verdict")
    started = _last(events, "try_started")
    start = started.stamp if started is not None else None
    end = int(verdict.data["end"]) if verdict is not None else recording.states[-1].stamp if recording.states else 0
    void = voids.get(attempt)
    said = Verdict.VOID if void else Verdict(verdict.data["verdict"]) if verdict is not None else None
    reason = str(verdict.data["reason"]) if verdict is not None else "the session ended before it was judged"
    if start is None:
        return Try(attempt, said, reason, None, end, void=void)
    goals = planned_poses(configuration)[run_index].goals
    samples = try_samples(recording, configuration, goals, start, end)
    results = tuple(evaluate(run.criteria, samples)) if verdict is not None else ()
    told = [_result(event) for event in events if event.kind == "criterion"]
    judged = Verdict(verdict.data["verdict"]) if verdict is not None else None
    differences = compare(results, told, judged) if judged is not None else ()
    return Try(attempt, said, reason, start, end, results, differences, void, samples, _broken(events))


def _voids(events: Iterable[Event], run: str) -> dict[int, tuple[str, str]]:
    """Reason and name by try; a declaration names another run and try where it came late."""
    found = {}
    for event in events:
        if event.kind == "void" and event.data.get("run", event.run) == run:
            found[int(event.data.get("attempt", event.attempt))] = (event.data["reason"], event.data["name"])
    return found


def _broken(events: Iterable[Event]) -> tuple[Broken, ...]:
    """All that was broken in a try, from its events."""
    found: list[Broken] = []
    for event in sorted(events, key=lambda event: event.stamp):
        fault, live = event.data.get("fault"), bool(event.data.get("live"))
        if event.kind == "fault_began":
            found.append(Broken(str(fault), event.stamp, None, live))
        elif event.kind == "fault_over":
            for index, one in enumerate(found):
                if one.fault == fault and one.live == live and one.over is None:
                    found[index] = replace(one, over=event.stamp)
    return tuple(found)


def _last(events: Iterable[Event], kind: str) -> Event | None:
    return next((event for event in reversed(list(events)) if event.kind == kind), None)


def _result(event: Event) -> CriterionResult:
    data: dict[str, Any] = {field.name: event.data[field.name] for field in fields(CriterionResult)}
    return CriterionResult(**data)
