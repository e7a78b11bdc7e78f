"""`testbed rehearse PLAN`: run a plan on the live ROS graph or in the engine; leave recording, summary and report."""

from __future__ import annotations

import sys
import time
from datetime import datetime
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from testbed.plan.configuration import Configuration

DEFAULT_PLAN = "plans/demo.yaml"
PASSED = 0
RUN_FAILED = 1
INTERRUPTED = 130
SLOWEST = 0.5
"""Slower than that, schedules would come later than the valves' deadman of 0.5 s of wall time allows."""


class Engine(StrEnum):
    """What runs the plan."""

    live = "live"
    lockstep = "lockstep"


class Processes(StrEnum):
    """How the nodes of a vehicle are laid out."""

    vehicle = "vehicle"
    node = "node"


def rehearse(
    plan: Annotated[str, typer.Argument(help="Plan file; names such as plans/demo.yaml are found by themselves.")] = (
        DEFAULT_PLAN
    ),
    speed: Annotated[
        float,
        typer.Option(
            min=0.0,
            max=100.0,
            help="Times real time: 1 is wall time, others keep step by /clock; 0 as fast as it goes.",
        ),
    ] = 1.0,
    seed: Annotated[
        int | None, typer.Option(min=0, help="Seed of every random draw; the plan's own if left out.")
    ] = None,
    engine: Annotated[
        Engine, typer.Option(help="live: the ROS graph; lockstep: the engine without ROS.")
    ] = Engine.live,
    results: Annotated[
        Path | None, typer.Option(help="Folder to leave results in; a new one under results/ if left out.")
    ] = (None),
    processes: Annotated[Processes, typer.Option(help="One process per vehicle, or one per node.")] = Processes.vehicle,
    lockstep: Annotated[bool, typer.Option("--lockstep", help="Keep step by /clock at speed 1, too.")] = False,
) -> None:
    """Rehearse a plan and leave a recording, a summary and a report page.

    Exit code: 0 every required run passed, 1 a run failed, 2 bad input, 130 stopped by Ctrl-C.
    """
    from testbed.cli.warm import ensure_warm
    from testbed.description.errors import ConfigurationError, Problem
    from testbed.description.locate import locate
    from testbed.plan.check import check
    from testbed.plan.configuration import load_configuration

    if 0.0 < speed < SLOWEST:
        raise ConfigurationError([Problem(None, None, "--speed", speed, f"0, or {SLOWEST} and more")])
    path = locate(plan)
    problems = check(path)
    if problems:
        raise ConfigurationError(problems)
    ensure_warm()
    configuration = load_configuration(path, seed)
    for sentence in configuration.cautions:
        print(sentence)
    folder = results or Path("results") / f"{configuration.plan.name}-{time.strftime('%Y%m%d-%H%M%S')}"
    refuse_used(folder)
    folder.mkdir(parents=True, exist_ok=True)
    if engine is Engine.lockstep:
        code = run_engine(configuration, folder)
    else:
        wall = speed == 1.0 and not lockstep
        code = run_live(path, configuration, folder.absolute(), None if wall else speed, processes)
    raise typer.Exit(max(code, conclude(folder)))


def refuse_used(folder: Path) -> None:
    """A folder that holds anything is never written over."""
    from testbed.description.errors import ConfigurationError, Problem

    if folder.exists() and any(folder.iterdir()):
        raise ConfigurationError([Problem(str(folder), None, "--results", str(folder), "a new or empty folder")])


def run_engine(configuration: Configuration, folder: Path) -> int:
    """Run without ROS and return an exit code; after Ctrl-C the recording holds what came before."""
    from testbed.cli.display import engine_progress
    from testbed.rehearsal.lockstep import rehearse_in_engine

    try:
        with engine_progress() as show:
            rehearse_in_engine(configuration, folder / "recording", show)
    except KeyboardInterrupt:
        return INTERRUPTED
    return PASSED


def run_live(plan: Path, configuration: Configuration, folder: Path, speed: float | None, processes: Processes) -> int:
    """Run on the live graph and return an exit code: 130 after a signal, 1 where a process died or fell silent."""
    from testbed.cli.display import live_progress
    from testbed.cli.keys import requests
    from testbed.nodes.launcher import Rehearsal
    from testbed.nodes.launcher import rehearse as rehearse_live
    from testbed.record.notes import add_note
    from testbed.record.recover import recover
    from testbed.record.results import Results

    with live_progress(configuration.plan.name) as show, requests() as asked:
        outcome = rehearse_live(Rehearsal(plan, configuration, folder, speed, processes.value), show, asked)
    recover(folder / "recording")
    for name, how in outcome.died:
        print(f"{name} died ({how}); every holder of valves was told to stop. Its output: {folder / 'logs' / name}.txt")
    if outcome.ending == "no answer":
        print(f"the conductor fell silent; every holder of valves was told to stop. Logs: {folder / 'logs'}")
    if any(name == "recorder" for name, _ in outcome.died):
        remark = "the recorder died; what came after its last message is not recorded"
        add_note(Results(folder).notes, remark, "launcher", datetime.now().astimezone())
    if outcome.ending == "interrupted":
        return INTERRUPTED
    return PASSED if outcome.ending == "finished" else RUN_FAILED


def conclude(folder: Path) -> int:
    """Make summary and report from the recording, say where they are, and return the exit code."""
    from testbed.record.recover import RecordingError
    from testbed.report import make_report, summarise

    try:
        summary, page = summarise(folder), make_report(folder)
    except RecordingError as error:
        print(f"no report: {error}", file=sys.stderr)
        return RUN_FAILED
    print(f"{summary['ended']['text']} Report: {page}")
    return int(summary["exit_code"])
