"""Runs a session of the live graph in lockstep for some emulated seconds and writes when it got where."""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from pathlib import Path

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.nodes.launcher import Progress, Rehearsal, rehearse
from testbed.plan.configuration import load_configuration


def main(plan: Path, folder: Path, speed: float, seconds: float) -> None:
    """Leave the recording in the folder, and in progress.json pairs of wall time s and emulated time s."""
    seen: list[tuple[float, float]] = []
    ended = False

    def show(progress: Progress) -> None:
        nonlocal ended
        if progress.state is None or ended:
            return
        emulated = (progress.state.stamp - LOCKSTEP_START_NS) / NS_PER_S
        seen.append((time.monotonic(), emulated))
        if emulated >= seconds:
            ended = True
            os.kill(os.getpid(), signal.SIGINT)

    outcome = rehearse(Rehearsal(plan, load_configuration(plan), folder, speed), show)
    (folder / "progress.json").write_text(json.dumps({"ending": outcome.ending, "seen": seen}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]), float(sys.argv[4]))
