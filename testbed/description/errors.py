"""What is wrong with a file that a person wrote, said so that the person can mend it."""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Problem:
    """One mistake: where it is, what stands there and what is allowed."""

    file: Path | str | None
    line: int | None
    field: str
    value: Any
    allowed: str

    def __str__(self) -> str:
        place = ":".join(str(part) for part in (self.file, self.line) if part is not None)
        return f"{place}: {self.field} is {self.value!r}, allowed: {self.allowed}".removeprefix(": ")


class ConfigurationError(Exception):
    """Every problem found in the configuration, not only the first; the command shows them and exits with 2."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: list[Problem] = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems))
