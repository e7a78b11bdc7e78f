"""Tries that were declared void after the session: one JSON object a line beside the recording, only ever appended."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

from testbed.plan.commands import Event

KIND = "void"


def add_void(file: Path, run: str, attempt: int, reason: str, name: str, now: datetime) -> None:
    """Append a declaration; `now` carries its time zone.

    Raises:
        ValueError: no reason, no name, or a time without a zone.

    """
    if not reason.strip() or not name.strip():
        raise ValueError("a try is declared void only with a reason and a name")
    if now.tzinfo is None:
        raise ValueError("the time of a declaration needs its zone")
    line = {
        "time": now.isoformat(timespec="seconds"),
        "run": run,
        "try": attempt,
        "reason": reason.strip(),
        "name": name.strip(),
    }
    with file.open("a", encoding="utf-8") as stream:
        stream.write(json.dumps(line, ensure_ascii=False) + "\n")


def read_voids(file: Path) -> tuple[Event, ...]:
    """The declarations as events, as if they had been made during the session.

    Raises:
        ValueError, KeyError: a line that is no declaration.

    """
    if not file.exists():
        return ()
    lines = [json.loads(line) for line in file.read_text(encoding="utf-8").splitlines() if line.strip()]
    return tuple(
        Event(0, KIND, line["run"], line["try"], {"reason": line["reason"], "name": line["name"]}) for line in lines
    )
