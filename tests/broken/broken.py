"""A file of the demo lab with one thing broken in it, and what `testbed check` must say about it."""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

LAB = Path(__file__).resolve().parent / "lab"
"""A copy of the demo lab that stays as it is, so that lines keep their numbers when the demo changes."""

DEMO = "plans/demo.yaml"
FIRST_FLOAT = "plans/first-float.yaml"
FORMATION = "plans/formation.yaml"
VEHICLE = "vehicles/wren.yaml"
TABLE = "tables/floor.yaml"
BEACONS = "beacons/floor.yaml"
NOISE = "noise/floor.yaml"


@dataclass(frozen=True)
class Broken:
    """`edits`: texts of the file and what stands there instead, or its whole new content; `errors`: what is said."""

    name: str
    file: str
    edits: dict[str, str] | str | bytes
    errors: tuple[str, ...]

    def write(self, folder: Path) -> Path:
        """Copy the configuration with this file broken; return the path of a plan that uses it."""
        shutil.copytree(LAB, folder / "config")
        path = folder / "config" / self.file
        if isinstance(self.edits, dict):
            text = path.read_text()
            for old, new in self.edits.items():
                assert text.count(old) >= 1, f"{old!r} is not in {self.file}"
                text = text.replace(old, new, 1)
            path.write_text(text)
        else:
            path.write_bytes(self.edits if isinstance(self.edits, bytes) else self.edits.encode())
        return folder / "config" / (self.file if self.file.startswith("plans/") else FIRST_FLOAT)


def broken(name: str, file: str, edits: dict[str, str] | str | bytes, *errors: str):
    """One case for pytest.mark.parametrize; errors without the folder before the file."""
    return pytest.param(Broken(name, file, edits, errors), id=name)


def assert_told(case: Broken, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is wrong with the file is told in exactly the lines of the case."""
    from testbed.plan.check import check

    plan = case.write(folder)
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(folder / "config"))
    told = [str(problem).replace(f"{folder}/config/", "") for problem in check(plan)]
    told = [re.sub("exists in one of .*", "exists in one of FOLDERS", line) for line in told]
    assert told == list(case.errors), told
