"""How fast the live graph goes in lockstep."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Final

from testbed.bench.figure import Figure
from testbed.bench.lockstep.lost_ticks import lost_ticks
from testbed.bench.processes import MeasurementError, session
from testbed.plan.configuration import Configuration

ASKED: Final = 10.0
"""The speed that has to be kept (issue 2)."""
KEPT: Final = 0.98
"""Share of the asked speed that counts as kept: the progress is read ten times a second."""
BEFORE: Final = 5.0
"""Emulated seconds before the measurement, in which everybody gets going."""
STARTUP: Final = 90.0


def lockstep_speed(
    plan: Path, configuration: Configuration, seconds: float, tell: Callable[[str], None]
) -> list[Figure]:
    """Run a session as fast as it goes, and at the speed that has to be kept, for `seconds` of emulated time each.

    Raises:
        MeasurementError: the session did not come so far.

    """
    figures = []
    for speed in (0.0, ASKED):
        name = "as fast as it goes" if speed == 0.0 else f"--speed {speed:g}"
        tell(f"lockstep: {name}")
        reached, ticks, lost = _run(plan, configuration, speed, seconds)
        least = KEPT * ASKED if speed else None
        figures += [
            Figure(f"live graph in lockstep, {name}", reached, "× real time", 1.0, "real time", at_least=least),
            Figure(f"ticks lost, {name}", lost, "ticks", at_most=0, note=f"of {ticks}"),
        ]
    return figures


def _run(plan: Path, configuration: Configuration, speed: float, seconds: float) -> tuple[float, int, int]:
    """Speed reached, ticks, ticks lost."""
    with session() as here:
        folder = here.folder / "results"
        folder.mkdir()
        arguments = ["testbed.bench.lockstep.session", str(plan), str(folder), str(speed), str(seconds)]
        with here.running("session", arguments) as process:
            here.wait_for("session", process, STARTUP + seconds)
        progress = json.loads((folder / "progress.json").read_text())
        seen = [(wall, emulated) for wall, emulated in progress["seen"] if emulated >= BEFORE]
        if progress["ending"] != "interrupted" or len(seen) < 2:
            raise MeasurementError(f"the session ended by itself ({progress['ending']}) before {seconds:.0f} s")
        (began, first), (ended, last) = seen[0], seen[-1]
        return (last - first) / (ended - began), *lost_ticks(folder / "recording", configuration)
