"""Remarks that people add to a results folder: one JSON object a line, only ever appended."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path


@dataclass(frozen=True)
class Note:
    """One remark: when it was made (ISO 8601 with time zone), by whom, and what it says."""

    time: str
    name: str
    text: str


def add_note(file: Path, text: str, name: str, now: datetime) -> Note:
    """Append a remark; `now` carries its time zone.

    Raises:
        ValueError: no text, no name, or a time without a zone.

    """
    if not text.strip() or not name.strip():
        raise ValueError("a remark needs a text and the name of who makes it")
    if now.tzinfo is None:
        raise ValueError("the time of a remark needs its zone")
    note = Note(now.isoformat(timespec="seconds"), name.strip(), text.strip())
    with file.open("a", encoding="utf-8") as stream:
        stream.write(json.dumps(asdict(note), ensure_ascii=False) + "\n")
    return note


def read_notes(file: Path) -> list[Note]:
    """Every remark in the file, oldest first; a line that is none is kept as one of nobody's, so that it is seen."""
    if not file.exists():
        return []
    return [_read(line) for line in file.read_text(encoding="utf-8").splitlines() if line.strip()]


def _read(line: str) -> Note:
    try:
        return Note(**json.loads(line))
    except (ValueError, TypeError):
        return Note("", "unreadable", line)
