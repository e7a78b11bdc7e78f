"""`testbed bench`: measure speed, each figure beside its peer in the same run."""

from __future__ import annotations

import json
import os
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.table import Table

    from testbed.bench.figure import Figure


WIDTH = 150
"""Columns of the table where the output is no terminal."""


class Measure(StrEnum):
    """What can be measured."""

    engine = "engine"
    cameras = "cameras"
    plant = "plant"
    allocation = "allocation"
    budget = "budget"
    loop = "loop"
    rehearsal = "rehearsal"
    lockstep = "lockstep"
    recorder = "recorder"


def bench(
    measures: Annotated[
        list[Measure] | None, typer.Argument(help="What to measure; everything if left out.", show_default=False)
    ] = None,
    json_file: Annotated[
        Path | None, typer.Option("--json", help="Write the figures there, too.", show_default=False)
    ] = None,
) -> None:
    """Measure engine, cameras, plant, allocation, budget, live loop, processor time, start, lockstep and recorder.

    A figure that misses its bound is marked; the exit code is 1 only where something could not be measured. On a
    machine that others use too, figures are noisy.
    """
    from rich.console import Console
    from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    from testbed.bench.run import load_average, run

    console, before = Console(), load_average()
    if not console.is_terminal:
        console = Console(width=WIDTH)
    with Progress(SpinnerColumn(), TimeElapsedColumn(), TextColumn("{task.description}"), console=console) as progress:
        task = progress.add_task("")
        names = [one.value for one in measures or Measure]
        figures, failures = run(names, lambda text: progress.update(task, description=text))
    console.print(table(figures))
    for failure in failures:
        console.print(f"[bold red]not measured[/bold red]  {failure}")
    console.print(f"{os.cpu_count()} cores, load average {before:.1f} before and {load_average():.1f} after")
    if json_file is not None:
        content = {
            "load_average": [before, load_average()],
            "figures": [figure.to_dict() for figure in figures],
            "not_measured": failures,
        }
        json_file.write_text(json.dumps(content, indent=2))
    raise typer.Exit(1 if failures else 0)


def table(figures: list[Figure]) -> Table:
    """The figures as a person reads them."""
    from rich.table import Table

    shown = Table("measure", title="testbed bench")
    for name in ("value", "", "peer", "bound"):
        shown.add_column(name, justify="left" if name == "" else "right", no_wrap=True)
    shown.add_column("note")
    for one in figures:
        peer = "" if one.peer is None else number(one.peer)
        note = ", ".join(part for part in (one.peer_name and f"peer: {one.peer_name}", one.note) if part)
        shown.add_row(one.measure, number(one.value), one.unit, peer, bound(one), note)
    return shown


def bound(figure: Figure) -> str:
    """The bound and whether it is kept."""
    if figure.kept is None:
        return ""
    limit = f"≤ {number(figure.at_most)}" if figure.at_most is not None else f"≥ {number(figure.at_least or 0.0)}"
    return f"[green]{limit} kept[/green]" if figure.kept else f"[bold red]{limit} missed[/bold red]"


def number(value: float) -> str:
    """Three digits that count."""
    return f"{value:.0f}" if abs(value) >= 100.0 or value == 0.0 else f"{value:.3g}"
