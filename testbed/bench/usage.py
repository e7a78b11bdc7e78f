"""Processor time of processes, as Linux counts it in /proc."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

_PER_SECOND: Final = os.sysconf("SC_CLK_TCK")


def cpu_seconds(pid: int) -> float:
    """User and system time of a process so far, s."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / _PER_SECOND


def children(pid: int) -> list[int]:
    """Process ids of the children of all threads of a process."""
    found: list[int] = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        found += [int(one) for one in (task / "children").read_text().split()]
    return found


def node_name(pid: int) -> str:
    """Name of a `testbed node` process: its vehicle where it has one, else the node's; empty for other processes."""
    arguments = Path(f"/proc/{pid}/cmdline").read_bytes().decode().split("\0")
    if "node" not in arguments:
        return ""
    namespaces = [one.removeprefix("__ns:=/") for one in arguments if one.startswith("__ns:=/")]
    node = arguments[arguments.index("node") + 1]
    return f"{namespaces[0]}, {node}" if namespaces else node
