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

ENGINE_BOUND: Final = 100.0
"""Least speed of the engine on the demo plan, times real time (issue 2)."""
WINDOW: Final = 10.0
"""Emulated seconds over which the parts are measured."""
BEFORE: Final = 20.0
"""Emulated seconds of a session before that window: long enough for every vehicle to fly under control."""


def engine_speed(configuration: Configuration, repeats: int, tell: Callable[[str], None]) -> list[Figure]:
    """Fly whole sessions, without and with a recording."""
    name, bound = configuration.plan.name, ENGINE_BOUND if configuration.plan.name == "demo" else None
    figures = []
    for recorded in (False, True):
        speeds = []
        for repeat in range(repeats):
            tell(f"engine: {name}{', recorded' if recorded else ''}, {repeat + 1} of {repeats}")
            speeds.append(_fly(configuration, recorded))
        what = f"engine, {name}, {'with' if recorded else 'without'} recording"
        note = f"median of {repeats}, {min(speeds):.0f} to {max(speeds):.0f}"
        figures.append(Figure(what, median(speeds), "× real time", 1.0, "real time", at_least=bound, note=note))
    return figures


def engine_parts(configuration: Configuration, repeats: int, tell: Callable[[str], None]) -> list[Figure]:
    """Cost of each part of the engine, called apart, and of the Python around the compiled loop."""
    tell("engine: parts called apart")
    parts = measure_parts(configuration, BEFORE, WINDOW, repeats)
    name = configuration.plan.name
    return [Figure(f"engine, {name}: {part}", cost, "ms a second") for part, cost in parts.items()]


def _fly(configuration: Configuration, recorded: bool) -> float:
    """Emulated seconds a second of one whole session, from its configuration to its end."""
    with tempfile.TemporaryDirectory(prefix="testbed-bench-") as folder:
        began = time.perf_counter()
        rehearsal = LockstepRehearsal(configuration)
        recording = EngineRecording(Path(folder, "recording"), rehearsal) if recorded else None
        while not rehearsal.sequence.finished:
            rehearsal.step()
            if recording is not None:
                recording.keep()
        if recording is not None:
            recording.close()
        return (rehearsal.stamp - LOCKSTEP_START_NS) / NS_PER_S / (time.perf_counter() - began)
