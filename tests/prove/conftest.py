"""Proofs keep their figures in one table, with commit and date, for the README."""

import subprocess
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

ROWS: list[tuple[str, str]] = []


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder is a proof, and takes its time."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.prove)
            item.add_marker(pytest.mark.timeout(3600))


@pytest.fixture
def figure() -> Callable[[str, str], None]:
    """Put a figure into the table: what was proven, and the number."""
    return lambda what, value: ROWS.append((what, value))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if not ROWS:
        return
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    terminalreporter.section(f"proofs at commit {commit.stdout.strip() or 'unknown'}, {date.today()}")
    terminalreporter.write_line("| what was proven | figure |\n| --- | --- |")
    for what, value in ROWS:
        terminalreporter.write_line(f"| {what} | {value} |")
