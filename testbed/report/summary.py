"""summary.json: what became of a session, for programs."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from testbed.plan.formation_events import KIND as FORMATION_EVENT
from testbed.plan.guard_events import KIND as GUARD_EVENT
from testbed.plan.separation_events import KIND as SEPARATION_EVENT
from testbed.plan.valve_events import KIND as VALVE_EVENT
from testbed.record.load import Recording, load
from testbed.record.notes import read_notes
from testbed.record.results import Results
from testbed.record.voids import read_voids
from testbed.report.ending import Ending, How, ending
from testbed.report.objectives import outcomes
from testbed.report.session import RunOutcome, Session, Try, judge

EXIT_MEANING: Final = {0: "the plan ran and every required run passed", 1: "a required run has not passed"}


def summarise(folder: Path) -> dict[str, Any]:
    """Make summary.json in a results folder from its recording, and return its content.

    Raises:
        RecordingError: no readable recording, or one without a configuration.

    """
    results = Results(folder)
    recording = load(results.recording)
    session = judge(recording, read_voids(results.voids))
    content = summary(recording, session, ending(recording))
    content["notes"] = [asdict(note) for note in read_notes(results.notes)]
    partial = results.summary.with_suffix(".partial")
    partial.write_text(json.dumps(content, indent=2) + "\n", encoding="utf-8")
    partial.replace(results.summary)
    return content


def _told(recording: Recording, kind: str) -> list[dict[str, Any]]:
    """All events of a kind, with all that they tell."""
    return [
        {"time": recording.seconds(event.stamp), "run": event.run, "try": event.attempt, **event.data}
        for event in recording.events
        if event.kind == kind
    ]


def exit_code(session: Session, end: Ending) -> int:
    """0 where the session ended in order and every required run passed without any disagreement, else 1."""
    return 0 if end.how is How.FINISHED and session.passed and not session.disagreements else 1


def summary(recording: Recording, session: Session, end: Ending) -> dict[str, Any]:
    """The content of summary.json; times in s from the start of the recording."""
    configuration = session.configuration
    code = exit_code(session, end)
    return {
        "plan": configuration.plan.name,
        "plan_hash": configuration.plan_hash,
        "seed": configuration.seed,
        "place": configuration.place,
        "versions": dict(configuration.versions),
        "files": {
            role: {"path": str(source.path), "sha256": source.sha256} for role, source in configuration.sources.items()
        },
        "exit_code": code,
        "exit_meaning": EXIT_MEANING[code],
        "passed": code == 0,
        "ended": {
            "how": str(end.how),
            "text": end.text,
            "time": recording.seconds(end.stamp),
            "processes_died": [{"process": process, "how": how} for process, how in end.died],
        },
        "valves_at_end": {name: str(state) for name, state in end.valves.items()},
        "runs": [_run(recording, run) for run in session.runs],
        "objectives": [
            {"name": one.objective.name, "text": one.objective.text, "met": one.met} for one in outcomes(session)
        ],
        "disagreements": [
            {"run": run, "try": one.attempt, **asdict(found)} for run, one, found in session.disagreements
        ],
        "guard": _told(recording, GUARD_EVENT),
        "separation": _told(recording, SEPARATION_EVENT),
        "valves": _told(recording, VALVE_EVENT),
        "formations": [
            {**told, "begin": recording.seconds(told["begin"])} for told in _told(recording, FORMATION_EVENT)
        ],
        "remarks": [
            {"time": recording.seconds(event.stamp), **event.data}
            for event in recording.events
            if event.kind == "remark"
        ],
        "recording": {
            "seconds": recording.seconds(recording.end),
            "messages": sum(recording.counts.values()),
            "cut": recording.cut,
        },
    }


def _run(recording: Recording, run: RunOutcome) -> dict[str, Any]:
    return {
        "name": run.plan.name,
        "purpose": run.plan.purpose,
        "required": run.plan.required,
        "verdict": run.verdict,
        "passed": run.passed,
        "tries": [_try(recording, one) for one in run.tries],
    }


def _try(recording: Recording, one: Try) -> dict[str, Any]:
    return {
        "attempt": one.attempt,
        "verdict": str(one.verdict) if one.verdict is not None else "not judged",
        "counted": one.counted,
        "reason": one.reason,
        "void": {"reason": one.void[0], "name": one.void[1]} if one.void else None,
        "start": None if one.start is None else recording.seconds(one.start),
        "end": recording.seconds(one.end),
        "broken": [
            {
                "fault": fault.fault,
                "begin": recording.seconds(fault.begin),
                "over": None if fault.over is None else recording.seconds(fault.over),
                "live": fault.live,
            }
            for fault in one.broken
        ],
        "criteria": [
            {**asdict(result), "stamp": None if result.stamp is None else recording.seconds(result.stamp)}
            for result in one.criteria
        ],
    }
