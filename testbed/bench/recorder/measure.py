"""Raises the rate of messages until the recorder loses some."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Final

from testbed.bench.figure import Figure
from testbed.bench.processes import session
from testbed.bench.recorder.flood import ROWS
from testbed.plan.configuration import Configuration
from testbed.record.reader import RecordingReader

RATES: Final = (1000.0, 2500.0, 5000.0, 7500.0, 10000.0, 15000.0, 20000.0)
"""Messages a second; three vehicles at real time send about 1000."""
STARTUP: Final = 40.0


def recorder_rate(
    plan: Path,
    configuration: Configuration,
    seconds: float,
    tell: Callable[[str], None],
    rates: tuple[float, ...] = RATES,
) -> list[Figure]:
    """Flood the recorder and a bare subscriber together at rising rates until one of both loses messages."""
    best = {"recorder": 0.0, "bare": 0.0}
    losing: set[str] = set()
    for rate in rates:
        tell(f"recorder: {rate:.0f} messages a second")
        sent, reached, recorded, counted = _flood(plan, list(configuration.vehicles), rate, seconds)
        for name, received in (("recorder", recorded), ("bare", counted)):
            if received < sent:
                losing.add(name)
            elif name not in losing:
                best[name] = reached
        if losing or reached < 0.9 * rate:
            break
    note = f"lost at {rate:.0f}" if losing else f"sender cannot do {rate:.0f}" if reached < 0.9 * rate else "no loss"
    return [
        Figure("recorder without loss", best["recorder"], "messages/s", best["bare"], "bare raw subscriber", note=note)
    ]


def _flood(plan: Path, vehicles: list[str], rate: float, seconds: float) -> tuple[int, float, int, int]:
    """Messages sent, the rate at which they were, messages recorded, and counted by the bare subscriber."""
    names = json.dumps(vehicles)
    with session() as here:
        answer, count, recording = (here.folder / name for name in ("flood.json", "count.txt", "recording"))
        parameters = ["--ros-args", "-p", f"plan:={plan}", "-p", f"folder:={recording}", "-p", "lockstep:=true"]
        with (
            here.running("recorder", ["testbed", "node", "recorder", *parameters]),
            here.running("bare", ["testbed.bench.recorder.bare_subscriber", names, str(count)]),
        ):
            arguments = ["testbed.bench.recorder.flood", names, str(rate), str(seconds), str(answer)]
            with here.running("flood", arguments) as flood:
                here.wait_for("flood", flood, seconds + STARTUP)
        found = json.loads(answer.read_text())
        channels = RecordingReader(recording).channels
        recorded = sum(len(channels[f"/{name}/{row}"]) for name in vehicles for row in set(ROWS))
        return found["sent"], found["sent"] / found["seconds"], recorded, int(count.read_text())
