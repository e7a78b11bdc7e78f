"""The processes of a rehearsal: started with a lifeline, watched, and ended in order."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from testbed.nodes.process import GO_VARIABLE, LIFELINE_VARIABLE, LOADED_VARIABLE, TOGETHER_SECONDS

TERM_SECONDS: Final = 5.0


@dataclass(frozen=True)
class Child:
    """One running process and the file descriptor that becomes readable when it dies."""

    name: str
    process: subprocess.Popen[bytes]
    watch: int
    log: Path


class Children:
    """Starts `testbed node NAME` processes that outlive neither us nor, by a signal of the terminal, the session.

    Each holds the reading end of a pipe whose writing end only we hold: when we die, however, they notice. With `batch`
    (SCHED_BATCH) a process that gets a message does not interrupt the one that is just sending it: in lockstep, where
    they wake each other thousands of times a second, this saves a sixth of all processor time.
    """

    def __init__(self, folder: Path, environment: dict[str, str], batch: bool = False) -> None:
        self._folder = folder
        self._batch = batch
        self._environment = environment
        self._lifeline, self._held = os.pipe()
        self._loaded, self._say_loaded = os.pipe()
        self._go, self._hold_back = os.pipe()
        self._children: list[Child] = []
        self._ended: set[str] = set()

    def start(self, name: str, node: str, arguments: Iterable[str]) -> None:
        """Start one node under a name of ours; its output goes to logs/NAME.txt."""
        log = self._folder / "logs" / f"{name}.txt"
        log.parent.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "testbed", "node", node, *arguments]
        with log.open("wb") as output:
            process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                env=self._environment | self._descriptors(),
                pass_fds=(self._lifeline, self._say_loaded, self._go),
                start_new_session=True,  # the terminal's Ctrl-C reaches only us; we end them in order
            )
        if self._batch:
            os.sched_setscheduler(process.pid, os.SCHED_BATCH, os.sched_param(0))
        self._children.append(Child(name, process, os.pidfd_open(process.pid), log))

    def begin_together(self) -> None:
        """Wait until every process has loaded, or one has died, then let all of them start ROS at once."""
        deadline = time.monotonic() + TOGETHER_SECONDS
        loaded = 0
        while loaded < len(self._children) and time.monotonic() < deadline:
            watched = [self._loaded, *(child.watch for child in self._children)]
            readable, _, _ = select.select(watched, [], [], 0.1)
            if any(child.watch in readable for child in self._children):
                break
            if self._loaded in readable:
                loaded += len(os.read(self._loaded, 64))
        os.close(self._hold_back)

    def _descriptors(self) -> dict[str, str]:
        return {
            LIFELINE_VARIABLE: str(self._lifeline),
            LOADED_VARIABLE: str(self._say_loaded),
            GO_VARIABLE: str(self._go),
        }

    @property
    def names(self) -> list[str]:
        """Names of all processes started."""
        return [child.name for child in self._children]

    def pid(self, name: str) -> int:
        """Process id of the child of that name."""
        return next(child.process.pid for child in self._children if child.name == name)

    def newly_dead(self) -> list[tuple[str, str]]:
        """Name and how it ended, of each child that has died since the last call without being asked to."""
        waiting = [child for child in self._children if child.name not in self._ended]
        if not waiting:
            return []
        readable, _, _ = select.select([child.watch for child in waiting], [], [], 0.0)
        dead = [child for child in waiting if child.watch in readable]
        self._ended.update(child.name for child in dead)
        return [(child.name, _how(child)) for child in dead]

    def end(self, names: Iterable[str]) -> None:
        """Ask these to end; kill those that have not after a few seconds."""
        wanted = set(names)
        chosen = [child for child in self._children if child.name in wanted]
        self._ended.update(child.name for child in chosen)
        for child in chosen:
            if child.process.poll() is None:
                child.process.send_signal(signal.SIGTERM)
        deadline = time.monotonic() + TERM_SECONDS
        for child in chosen:
            try:
                child.process.wait(max(deadline - time.monotonic(), 0.01))
            except subprocess.TimeoutExpired:
                child.process.kill()
                child.process.wait()

    def close(self) -> None:
        """End all that still run and give back every descriptor."""
        self.end(self.names)
        for child in self._children:
            os.close(child.watch)
        for descriptor in (self._held, self._lifeline, self._loaded, self._say_loaded, self._go):
            os.close(descriptor)


def _how(child: Child) -> str:
    code = child.process.wait()
    if code < 0:
        return f"killed by {signal.Signals(-code).name}"
    lines = child.log.read_text(errors="replace").strip().splitlines()
    return f"exit code {code}" + (f": {lines[-1]}" if lines and code else "")
