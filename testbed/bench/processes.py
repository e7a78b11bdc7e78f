"""Child processes of a measurement: in a domain of their own, on this machine only, ended with the block."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from testbed.nodes.launcher import session_environment
from testbed.rehearsal.domain import free_domain

END_SECONDS: Final = 5.0


class MeasurementError(RuntimeError):
    """A process of a measurement ended badly or did not answer; the message says what it printed last."""


@dataclass(frozen=True)
class Session:
    """Where processes of one measurement run and leave their output."""

    folder: Path
    environment: dict[str, str]

    @contextmanager
    def running(self, name: str, arguments: Sequence[str]) -> Iterator[subprocess.Popen[bytes]]:
        """Run `python -m ARGUMENTS` until the block ends; output goes to NAME.txt in the folder."""
        with self._log(name).open("wb") as output:
            process = subprocess.Popen(
                [sys.executable, "-m", *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                env=self.environment,
            )
        try:
            yield process
        finally:
            process.terminate()
            try:
                process.wait(END_SECONDS)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()

    def wait_for(self, name: str, process: subprocess.Popen[bytes], seconds: float) -> None:
        """Wait for a process to end by itself.

        Raises:
            MeasurementError: it does not within `seconds`, or its exit code is not 0.

        """
        try:
            code = process.wait(seconds)
        except subprocess.TimeoutExpired:
            raise MeasurementError(f"{name} did not end within {seconds:.0f} s") from None
        if code:
            last = self._log(name).read_text(errors="replace").strip().splitlines()[-1:]
            raise MeasurementError(f"{name} ended with exit code {code}: {' '.join(last)}")

    def _log(self, name: str) -> Path:
        return self.folder / f"{name}.txt"


@contextmanager
def session() -> Iterator[Session]:
    """A folder and a ROS domain for one measurement."""
    with tempfile.TemporaryDirectory(prefix="testbed-bench-") as folder, free_domain() as domain:
        yield Session(Path(folder), dict(os.environ) | session_environment(domain, Path(folder)))
