"""A rehearsal as a person starts it: how soon something moves, and how much of the processor everything takes."""

from __future__ import annotations

import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from testbed.bench.figure import Figure
from testbed.bench.processes import MeasurementError
from testbed.bench.usage import children, cpu_seconds, node_name
from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.record.reader import RecordingReader
from testbed.record.types import deserialize

START_BOUND: Final = 10.0
"""Longest time from the command to the first vehicle moving, s (issue 2)."""
CORE_BOUND: Final = 100.0
"""Per cent of one core that three vehicles with everything on may take at real time (issue 2)."""
STARTUP: Final = 60.0
END: Final = 60.0
LOOK: Final = 0.5
SETTLED: Final = 2.0
"""Seconds from the first motion to the beginning of the window in which processor time is counted."""


def rehearsal_cost(
    plan: Path, configuration: Configuration, seconds: float, tell: Callable[[str], None]
) -> list[Figure]:
    """Rehearse on the live graph at real time, watch for `seconds`, and interrupt it.

    Raises:
        MeasurementError: no valve opened in time, or a process was not there all the while.

    """
    with tempfile.TemporaryDirectory(prefix="testbed-bench-") as folder:
        results = Path(folder, "results")
        tell("rehearsal: from the command to the first motion")
        began = time.time_ns()
        with _rehearsing(plan, results) as process:
            moved = _first_opening(results / "recording", process, began)
            time.sleep(SETTLED)
            tell(f"rehearsal: processor time over {seconds:.0f} s")
            usage = _watch(process.pid, seconds)
    vehicles = len(configuration.vehicles)
    figures = [Figure("from `testbed rehearse` to the first valve opening", moved, "s", at_most=START_BOUND)]
    figures += [Figure(f"processor, {name}", share, "% of a core") for name, share in usage.items()]
    note = f"{vehicles} vehicles at real time over {seconds:.0f} s"
    figures.append(Figure("processor, all together", sum(usage.values()), "% of a core", at_most=CORE_BOUND, note=note))
    return figures


@contextmanager
def _rehearsing(plan: Path, results: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`testbed rehearse` at real time until the block ends."""
    command = [sys.executable, "-m", "testbed", "rehearse", str(plan), "--results", str(results)]
    process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        yield process
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.wait(END)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _first_opening(recording: Path, process: subprocess.Popen[bytes], began: int) -> float:
    """Seconds from `began` (system time ns) to the first valve that opens, as the recording has it."""
    while time.time_ns() - began < STARTUP * NS_PER_S:
        if process.poll() is not None:
            raise MeasurementError(f"the rehearsal ended by itself with exit code {process.returncode}")
        time.sleep(LOOK)
        opened = first_opening(recording) if recording.exists() else None
        if opened is not None:
            return (opened - began) / NS_PER_S
    raise MeasurementError(f"no valve opened within {STARTUP:.0f} s")


def first_opening(recording: Path) -> int | None:
    """Time of receipt (ns) of the first `valves/state` with a valve open; None if there is none, or not yet."""
    reader = RecordingReader(recording)
    topics = [topic for topic in reader.channels if topic.endswith("/valves/state")]
    for message in reader.messages(topics):
        if any(deserialize(message.data, message.type).position):
            return message.log_time
    return None


def _watch(launcher: int, seconds: float) -> dict[str, float]:
    """Per cent of a core that each process of a rehearsal takes; the launcher's own among them."""
    processes = {node_name(pid): pid for pid in children(launcher) if node_name(pid)} | {"launcher": launcher}
    began, before = time.monotonic(), {name: cpu_seconds(pid) for name, pid in processes.items()}
    time.sleep(seconds)
    try:
        after = {name: cpu_seconds(pid) for name, pid in processes.items()}
    except FileNotFoundError:
        raise MeasurementError("a process of the rehearsal ended while it was watched") from None
    passed = time.monotonic() - began
    return {name: 100.0 * (after[name] - before[name]) / passed for name in processes}
