"""From a file to a frozen description, or to one clear line for everything that is wrong with it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from testbed.description.allowed import allowed_by
from testbed.description.errors import ConfigurationError, Problem
from testbed.description.model import Inconsistent
from testbed.description.source import MISSING, Source, parse, read

D = TypeVar("D", bound=BaseModel)


@dataclass(frozen=True)
class Loaded(Generic[D]):
    """A description together with the file that it came from."""

    description: D
    source: Source


def load(path: Path, kind: type[D]) -> Loaded[D]:
    """Read one file as a description of this kind.

    Raises:
        ConfigurationError: with every problem of the file.

    """
    return interpret(read(path), kind)


def load_text(text: str, path: Path, kind: type[D]) -> Loaded[D]:
    """Read a text that was once the file `path`, from a recording for instance. Raises as `load` does."""
    return interpret(parse(text, path), kind)


def interpret(source: Source, kind: type[D]) -> Loaded[D]:
    """Turn plain values into a description. Raises as `load` does."""
    try:
        # Through JSON, so that pydantic can be strict (no text or boolean for a number) and still take lists as tuples.
        return Loaded(kind.model_validate_json(json.dumps(source.value), strict=True), source)
    except ValidationError as error:
        schema = kind.model_json_schema()
        errors = [dict(details) for details in error.errors(include_url=False)]
        problems = [_problem(source, details, schema) for details in errors if not _follows(details)]
        raise ConfigurationError(_in_order(problems)) from None


def _problem(source: Source, details: dict[str, Any], schema: dict[str, Any]) -> Problem:
    location, missing = _in_file(source.value, details["loc"])
    value: Any = MISSING if missing else details["input"]
    if details["type"].startswith("union_tag"):  # the mapping's key `kind` is wrong or missing
        value = value.get("kind", MISSING) if isinstance(value, dict) else value
        location = [*location, "kind"]
    if isinstance(error := details.get("ctx", {}).get("error"), Inconsistent):
        location = [*location, *error.at]
        for step in error.at:
            value = value.get(step, MISSING) if isinstance(value, dict) else value[step]
    return source.problem(location, value, allowed_by(details, schema))


def _follows(details: dict[str, Any]) -> bool:
    """Whether pydantic calls a list too short only because entries in it are wrong, which it says as well."""
    return details["type"] == "too_short" and len(details["input"]) >= details["ctx"]["min_length"]


def _in_file(value: Any, location: tuple[str | int, ...]) -> tuple[list[str | int], bool]:
    """Leave out the steps that pydantic adds for members of a union; tell whether the last step is not in the file."""
    steps: list[str | int] = []
    for index, step in enumerate(location):
        if step == "[key]":
            break
        inside = isinstance(value, dict) and step in value and not _is_shadowed_tag(value, location[index:])
        if inside or (isinstance(value, list) and isinstance(step, int) and step < len(value)):
            value = value[step]
            steps.append(step)
        elif index == len(location) - 1 and not _is_union_tag(value, step):
            return [*steps, step], True
    return steps, False


def _is_shadowed_tag(value: dict[str, Any], steps: tuple[str | int, ...]) -> bool:
    """Whether the first step is a union's tag where a key has that name, too: `kind: formation, formation: …`."""
    if not _is_union_tag(value, steps[0]) or len(steps) < 2:
        return False
    return steps[1] == steps[0] or not isinstance(value[str(steps[0])], dict | list)


def _is_union_tag(value: Any, step: str | int) -> bool:
    """Whether this step of pydantic's location names the kind of the mapping it is at, and not a key in it."""
    return isinstance(value, dict) and value.get("kind") == step


def _in_order(problems: list[Problem]) -> list[Problem]:
    """Sort by line, and say the same thing once."""
    return sorted(dict.fromkeys(problems), key=lambda problem: problem.line or 0)
