"""Grid files: heights of a table in a text file, as a level or an autocollimator gives them.

# comments, and empty lines, anywhere
origin, -1.8, -1.5      x and y of the first height, m
spacing, 0.6            between nodes along x and along y, m
0, 22, 35, 18           heights in micrometres: one row along x, from the lowest y
14, 40, 48, 26          to the highest
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

from testbed.description.errors import ConfigurationError, Problem
from testbed.description.flatness import MAX_NODES
from testbed.description.locate import locate
from testbed.description.source import LARGEST_FILE, Excerpt, Source, excerpt
from testbed.description.table import Table

TALLEST: Final = 1e5
"""Largest height, micrometres: nothing that vehicles float on has steps of 10 cm."""


def read_grid(path: Path) -> dict[str, Any]:
    """Return `origin`, `spacing` and `heights_um` as the keys of a Flatness.

    Raises:
        ConfigurationError: with every line that is wrong.

    """
    reader = _Reader(path)
    for number, line in enumerate(_lines(path), 1):
        if text := line.partition("#")[0].strip():
            reader.take(number, [cell.strip() for cell in text.split(",")])
    if not reader.problems:
        reader.look_for_missing()
    if reader.problems:
        raise ConfigurationError(reader.problems)
    return {
        "origin": tuple(reader.heads["origin"]),
        "spacing": reader.heads["spacing"][0],
        "heights_um": tuple(map(tuple, reader.rows)),
    }


class _Reader:
    """Takes line after line and collects what is wrong on the way."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heads: dict[str, list[float]] = {}
        self.rows: list[list[float]] = []
        self.problems: list[Problem] = []

    def take(self, number: int, cells: list[str]) -> None:
        if cells[0] in _HEADS:
            self._take_head(number, cells[0], cells[1:])
        else:
            self._take_row(number, cells)

    def look_for_missing(self) -> None:
        for name in _HEADS:
            if name not in self.heads:
                self._refuse(None, name, Excerpt("missing"), f"a line with {name} and {_HEADS[name][1]}")
        if not 2 <= len(self.rows) <= MAX_NODES:
            self._refuse(None, "rows", len(self.rows), f"2 to {MAX_NODES} rows of heights")

    def _take_head(self, number: int, name: str, cells: list[str]) -> None:
        wanted, words = _HEADS[name]
        numbers = _numbers(cells)
        if name in self.heads:
            self._refuse(number, name, Excerpt("given twice"), "once")
        elif numbers is None or len(numbers) != wanted or (name == "spacing" and numbers[0] <= 0.0):
            self._refuse(number, name, excerpt(", ".join(cells)), words)
        else:
            self.heads[name] = numbers

    def _take_row(self, number: int, cells: list[str]) -> None:
        numbers = _numbers(cells)
        if numbers is None or max(map(abs, numbers)) > TALLEST:
            allowed = f"origin, spacing, or heights in micrometres, each within {TALLEST:g}, with commas between"
            self._refuse(number, "row", excerpt(", ".join(cells)), allowed)
        elif not 2 <= len(numbers) <= MAX_NODES or (self.rows and len(numbers) != len(self.rows[0])):
            allowed = f"{len(self.rows[0])} heights, as before" if self.rows else f"2 to {MAX_NODES} heights"
            self._refuse(number, "row", Excerpt(f"{len(numbers)} heights"), allowed)
        else:
            self.rows.append(numbers)

    def _refuse(self, number: int | None, field: str, value: Any, allowed: str) -> None:
        self.problems.append(Problem(self.path, number, field, value, allowed))


_HEADS: Final = {"origin": (2, "two numbers x, y in m"), "spacing": (1, "a number above 0 in m")}


def with_heights(table: Table, source: Source) -> Table:
    """Return the table with the heights of its grid file, if it names one; `source` is the table's own file.

    Raises:
        ConfigurationError: the grid file is not there, or wrong, or the table gives heights beside it.

    """
    flatness = table.flatness
    if flatness is None or flatness.file is None:
        return table
    for key in ("heights_um", "origin", "spacing"):
        if getattr(flatness, key) is not None:
            value = source.value["flatness"][key]
            raise ConfigurationError([source.problem(("flatness", key), value, "left out where file gives it")])
    try:
        path = locate(flatness.file, plan=source.path)
    except ConfigurationError as error:
        allowed = error.problems[0].allowed
        raise ConfigurationError([source.problem(("flatness", "file"), flatness.file, allowed)]) from None
    return table.model_copy(update={"flatness": flatness.model_copy(update=read_grid(path))})


def _lines(path: Path) -> list[str]:
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise ConfigurationError(
                [Problem(path, None, "file", Excerpt("too large"), f"at most {LARGEST_FILE} bytes")]
            )
        return path.read_bytes().decode("utf-8-sig").splitlines()
    except OSError as error:
        reason = Excerpt(f"not readable ({error.strerror or type(error).__name__})")
        raise ConfigurationError([Problem(path, None, "file", reason, "a readable grid file")]) from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise ConfigurationError([Problem(path, line, "file", Excerpt("not UTF-8"), "a text in UTF-8")]) from None


def _numbers(cells: list[str]) -> list[float] | None:
    try:
        numbers = [float(cell) for cell in cells]
    except ValueError:
        return None
    return numbers if all(math.isfinite(one) for one in numbers) else None
