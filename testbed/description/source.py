"""One YAML file as a person wrote it: its text, its plain values, and the line on which each value stands."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.nodes import MappingNode, Node, ScalarNode, SequenceNode

from testbed.description.errors import ConfigurationError, Problem

LARGEST_NUMBER: Final = 1e12
"""No quantity here comes near it in SI units; beyond it arithmetic overflows instead of telling what is wrong."""
LARGEST_FILE: Final = 1_000_000
MOST_VALUES: Final = 50_000
"""Aliases can multiply a small file into a huge one."""
DEEPEST: Final = 20
LONGEST_SHOWN: Final = 60
"""Longest text of a value that a problem shows whole."""

Location = Sequence[str | int]
"""The way to a value: mapping keys and list indices, outermost first."""


@dataclass(frozen=True)
class Excerpt:
    """What stands in a file, said in words or cut short, and shown without quotes."""

    text: str

    def __repr__(self) -> str:
        return self.text


MISSING: Final = Excerpt("missing")


def excerpt(value: Any) -> Any:
    """Return a single value itself where it is short, else the beginning of what it looks like."""
    text = repr(value)
    if len(text) > LONGEST_SHOWN:
        return Excerpt(f"{text[: LONGEST_SHOWN - 2]} …")
    return Excerpt(text) if isinstance(value, dict | list) else value


@dataclass(frozen=True)
class Source:
    """A file that was read: its text, a hash of it, the plain value in it and the line of each part."""

    path: Path
    text: str
    sha256: str
    value: Any = field(repr=False)
    root: Node = field(repr=False, compare=False)

    def line(self, *location: str | int) -> int:
        """Line (from 1) of a value, or of the innermost part of its location that the file has."""
        node, line = self.root, self.root.start_mark.line
        for step in location:
            found = _child(node, step)
            if found is not None:
                line, node = found
        return line + 1

    def problem(self, location: Location, value: Any, allowed: str) -> Problem:
        """Describe a mistake at a location of this file."""
        return Problem(self.path, self.line(*location), written(location), excerpt(value), allowed)


def written(location: Location) -> str:
    """Write a location as a person reads it: runs[0].start.wren."""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in location)
    return text.removeprefix(".") or "file"


def read(path: Path) -> Source:
    """Read one YAML file.

    Raises:
        ConfigurationError: it cannot be read, is not UTF-8 or YAML, is not a mapping, or has duplicate keys, tabs, tags
            or numbers that are infinite or absurdly large; all at once where the file can still be taken apart.

    """
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise _refused(path, None, Excerpt("too large"), f"at most {LARGEST_FILE} bytes")
        text = path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise _refused(path, None, Excerpt(f"not readable ({reason})"), "a readable YAML file") from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        byte = Excerpt(f"not UTF-8 (byte 0x{error.object[error.start]:02x})")
        raise _refused(path, line, byte, "a text in UTF-8") from None
    return parse(text, path)


def parse(text: str, path: Path) -> Source:
    """Take a YAML text apart; `path` is what errors name. Raises as `read` does."""
    tab = next((number for number, line in enumerate(text.splitlines(), 1) if _indented_by_tab(line)), None)
    if tab is not None:
        raise _refused(path, tab, Excerpt("indented by a tab"), "spaces for indentation")
    yaml = YAML(typ="safe", pure=True)
    try:
        root = yaml.compose(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        words = " ".join(part for part in (error.context, error.problem) if part)
        raise _refused(path, mark.line + 1 if mark else None, Excerpt(f"not YAML ({words})"), "YAML 1.2") from None
    except (YAMLError, ValueError, RecursionError) as error:
        words = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise _refused(path, None, Excerpt(f"not YAML ({words})"), "YAML 1.2, one document") from None
    if root is None:
        raise _refused(path, 1, Excerpt("empty"), "a mapping of keys to values")
    if not isinstance(root, MappingNode):
        raise _refused(path, root.start_mark.line + 1, Excerpt(f"a {_kind(root)}"), "a mapping of keys to values")
    reader = _Reader(path, yaml)
    value = reader.plain(root, ())
    if reader.problems:
        raise ConfigurationError(reader.problems)
    return Source(path, text, hashlib.sha256(text.encode()).hexdigest(), value, root)


class _Reader:
    """Turns nodes into plain values and collects what is wrong on the way."""

    def __init__(self, path: Path, yaml: YAML) -> None:
        self.path = path
        self.yaml = yaml
        self.problems: list[Problem] = []
        self.count = 0

    def plain(self, node: Node, location: tuple[str | int, ...]) -> Any:
        if len(location) > DEEPEST:
            self.refuse(node, location[:1], Excerpt("nested too deeply"), f"at most {DEEPEST} levels")
            return None
        self.count += 1
        if self.count == MOST_VALUES:
            self.refuse(node, location, Excerpt("too many values"), f"at most {MOST_VALUES} values in a file")
        if self.count >= MOST_VALUES:
            return None
        if isinstance(node, MappingNode):
            return self.mapping(node, location)
        if isinstance(node, SequenceNode):
            return [self.plain(child, (*location, index)) for index, child in enumerate(node.value)]
        assert isinstance(node, ScalarNode), "YAML has no other nodes"
        return self.scalar(node, location)

    def mapping(self, node: MappingNode, location: tuple[str | int, ...]) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for key, child in node.value:
            if not isinstance(key, ScalarNode):
                self.refuse(key, location, Excerpt(f"a mapping with a {_kind(key)} as key"), "plain words as keys")
                continue
            inner = (*location, key.value)
            if key.value in values:
                self.refuse(key, inner, Excerpt("given twice"), "each key once")
            values[key.value] = self.plain(child, inner)
        return values

    def scalar(self, node: ScalarNode, location: tuple[str | int, ...]) -> Any:
        kind = str(node.tag).removeprefix("tag:yaml.org,2002:")
        if kind not in ("null", "bool", "int", "float", "str", "timestamp"):
            self.refuse(node, location, Excerpt(f"tagged {node.tag}"), "plain values without tags")
            return None
        if kind in ("str", "timestamp"):
            return node.value
        try:
            value = self.yaml.constructor.construct_object(node)
        except (ValueError, OverflowError):
            value = math.inf
        if isinstance(value, int | float) and not abs(value) <= LARGEST_NUMBER:
            self.refuse(node, location, Excerpt(node.value[:40]), f"a finite number of at most {LARGEST_NUMBER:g}")
            return None
        return value

    def refuse(self, node: Node, location: Location, value: Any, allowed: str) -> None:
        self.problems.append(Problem(self.path, node.start_mark.line + 1, written(location), value, allowed))


def _child(node: Node, step: str | int) -> tuple[int, Node] | None:
    """Line (from 0) at which a person looks for a step below a node, and the node there."""
    if isinstance(node, MappingNode):
        for key, child in node.value:
            if isinstance(key, ScalarNode) and key.value == str(step):
                return key.start_mark.line, child
    elif isinstance(node, SequenceNode) and isinstance(step, int) and step < len(node.value):
        return node.value[step].start_mark.line, node.value[step]
    return None


def _indented_by_tab(line: str) -> bool:
    return "\t" in line[: len(line) - len(line.lstrip())] and bool(line.strip())


def _kind(node: Node) -> str:
    if isinstance(node, MappingNode):
        return "mapping"
    return "list" if isinstance(node, SequenceNode) else "single value"


def _refused(path: Path, line: int | None, value: Any, allowed: str) -> ConfigurationError:
    return ConfigurationError([Problem(path, line, "file", value, allowed)])
