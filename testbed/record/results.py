"""What lies where in a results folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

RECORDING: Final = "recording"


@dataclass(frozen=True)
class Results:
    """The folder that a session leaves behind: its recording, and what is made from it."""

    folder: Path

    @property
    def recording(self) -> Path:
        """Folder of the recording; the results folder itself where somebody points at a bare recording."""
        inner = self.folder / RECORDING
        return self.folder if any(self.folder.glob("*.mcap")) and not inner.exists() else inner

    @property
    def report(self) -> Path:
        """The report page."""
        return self.folder / "report.html"

    @property
    def summary(self) -> Path:
        """The machine-readable summary."""
        return self.folder / "summary.json"

    @property
    def voids(self) -> Path:
        """Tries declared void afterwards, one JSON object a line."""
        return self.folder / "voids.jsonl"

    @property
    def notes(self) -> Path:
        """Remarks made afterwards, one JSON object a line."""
        return self.folder / "notes.jsonl"
