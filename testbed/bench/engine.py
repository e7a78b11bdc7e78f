"""Speed of the engine: emulated seconds a second, and what each part of it costs."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final

from testbed.bench.engine_parts import measure_parts
from testbed.bench.figure import Figure, median
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.recording import EngineRecording

ENGINE_BOUND: Final = {("demo", False): 500.0, ("demo", True): 100.0, ("long-hold", False): 1000.0}
"""Least speed of the engine by plan, and whether a recording is made, times real time (issues 2 and 4)."""
WINDOW: Final = 10.0
"""Emulated seconds over which the parts are measured."""
BEFORE: Final = 20.0
"""Emulated seconds of a session before that window: long enough for every vehicle to fly under control."""


def engine_speed(configuration: Configuration, repeats: int, tell: Callable[[str], None]) -> list[Figure]:
    """Fly whole sessions, without and with a recording."""
    name = configuration.plan.name
    figures = []
    for recorded in (False, True):
        speeds = []
        for repeat in range(repeats):
            tell(f"engine: {name}{', recorded' if recorded else ''}, {repeat + 1} of {repeats}")
            speeds.append(_fly(configuration, recorded))
        walls, alone = zip(*speeds, strict=True)
        what = f"engine, {name}, {'with' if recorded else 'without'} recording"
        note = (
            f"median of {repeats}, {min(walls):.0f} to {max(walls):.0f}; {median(alone):.0f} by processor time, "
            f"{min(alone):.0f} to {max(alone):.0f}; {seen_by_cameras(configuration, recorded)}"
        )
        bound = ENGINE_BOUND.get((name, recorded))
        figures.append(Figure(what, median(walls), "× real time", 1.0, "real time", at_least=bound, note=note))
    return figures


def engine_parts(configuration: Configuration, repeats: int, tell: Callable[[str], None]) -> list[Figure]:
    """Cost of each part of the engine, called apart, and what a whole session without recording takes beyond them."""
    tell("engine: parts called apart")
    parts = measure_parts(configuration, BEFORE, WINDOW, repeats)
    whole = 1e3 / median([_fly(configuration, recorded=False)[1] for _ in range(repeats)])
    parts["the rest of a whole session (conductor, messages kept, calls, setting up)"] = whole - sum(parts.values())
    name = configuration.plan.name
    return [Figure(f"engine, {name}: {part}", cost, "ms a second") for part, cost in parts.items()]


def seen_by_cameras(configuration: Configuration, recorded: bool) -> str:
    """What stood for the cameras in a session whose speed was measured."""
    if not configuration.cameras_on():
        return "no camera"
    return "pictures rendered" if recorded else "cameras left out"


def _fly(configuration: Configuration, recorded: bool) -> tuple[float, float]:
    """Emulated seconds a second, and a second of processor time, of one whole session, from configuration to end."""
    with tempfile.TemporaryDirectory(prefix="testbed-bench-") as folder:
        began, worked = time.perf_counter(), time.process_time()
        rehearsal = LockstepRehearsal(configuration)
        recording = EngineRecording(Path(folder, "recording"), rehearsal) if recorded else None
        while not rehearsal.sequence.finished:
            if recording is None:
                rehearsal.run()
            else:
                recording.go_on()
        if recording is not None:
            recording.close()
        emulated = (rehearsal.stamp - LOCKSTEP_START_NS) / NS_PER_S
        return emulated / (time.perf_counter() - began), emulated / (time.process_time() - worked)
