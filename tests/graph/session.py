"""`testbed rehearse` as a person starts it, watched from outside: its processes, its output, what it leaves behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

from testbed.description.messages import NS_PER_S
from testbed.nodes.shared_memory import SHARED_MEMORY, used_by
from testbed.record.load import Recording, load
from testbed.record.reader import RecordingReader
from testbed.record.recover import RecordingError
from testbed.record.types import deserialize

PLANS = Path(__file__).parent / "plans"
PATIENCE = 60.0
"""Longest wait for anything, s: starts take seconds on a busy machine. No safety bound hangs on it."""


class Session:
    """One `testbed rehearse` in its own process; as a context it leaves nothing running, whatever the test does."""

    def __init__(self, plan: str, results: Path, *options: str) -> None:
        self.results = results
        self._lines: list[str] = []
        self._heard = threading.Condition()
        path = plan if "/" in plan else str(PLANS / f"{plan}.yaml")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "testbed", "rehearse", path, "--results", str(results), *options],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=os.environ | {"COLUMNS": "200"},
            start_new_session=True,
        )
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        for name in self.pids():
            self.send(name, signal.SIGKILL)
        self.process.wait()
        self._reader.join()
        self.process.stdout.close()

    @property
    def output(self) -> str:
        """Everything printed so far."""
        with self._heard:
            return "".join(self._lines)

    def until_running(self) -> None:
        """Wait until a try has begun, as the recording tells while it is being written."""
        self._until("a try has begun", lambda reader: "try_started" in _texts(reader, "/plan/events"))

    def until_firing(self, vehicle: str = "wren") -> None:
        """Wait until a try has begun and, after that, a valve of the vehicle has opened."""
        self.until_running()
        topic = f"/{vehicle}/valves/state"
        before = len(self._reader_of_recording().channels[topic])
        self._until("a valve has opened", lambda reader: _any_open(reader, topic, before))

    def _until(self, what: str, condition: Callable[[RecordingReader], bool]) -> None:
        deadline = time.monotonic() + PATIENCE
        while not ((reader := self._reader_of_recording()) and condition(reader)):
            assert time.monotonic() < deadline, f"waited {PATIENCE:g} s until {what}:\n{self.output}{self.logs()}"
            code = self.process.poll()
            assert code is None, f"ended with {code} before {what}:\n{self.output}{self.logs()}"
            time.sleep(0.05)

    def _reader_of_recording(self) -> RecordingReader | None:
        try:
            return RecordingReader(self.results / "recording")
        except RecordingError:
            return None  # not there yet

    def end(self, patience: float = PATIENCE) -> int:
        """Wait for the command to end by itself; its exit code."""
        code = self.process.wait(patience)
        self._reader.join(patience)
        return code

    def pids(self) -> dict[str, int]:
        """Process ids of the nodes by name: recorder, plant, conductor, and each vehicle (or vehicle-node)."""
        found = {}
        for pid in _processes():
            if self._is_ours(pid) and (name := _name(pid)):
                found[name] = pid
        return found

    def until_gone(self, patience: float = 5.0) -> None:
        """Wait until no node of this session runs any more."""
        deadline = time.monotonic() + patience
        while left := self.pids():
            assert time.monotonic() < deadline, f"still running: {left}"
            time.sleep(0.02)

    def send(self, name: str, number: signal.Signals) -> None:
        """Send a signal to a node, if it still runs; never to who has its process id after it."""
        with _gone_is_fine():
            pid = self.pids()[name]
            descriptor = os.pidfd_open(pid)
            try:
                if self._is_ours(pid):
                    signal.pidfd_send_signal(descriptor, number)
            finally:
                os.close(descriptor)

    @property
    def domain(self) -> int:
        """ROS domain of the session, once a node runs."""
        deadline = time.monotonic() + PATIENCE
        while not (pids := self.pids()):
            assert time.monotonic() < deadline, f"no node was started:\n{self.output}"
            assert self.process.poll() is None, f"ended before any node was started:\n{self.output}"
            time.sleep(0.02)
        return int(_environment(next(iter(pids.values())))["ROS_DOMAIN_ID"])

    def recording(self) -> Recording:
        """What was recorded, cut or whole."""
        return load(self.results / "recording")

    def shared_memory(self) -> set[str]:
        """Files in shared memory that belong to this session's processes: those whose locks they hold."""
        names = {file.stat().st_ino: file.name.removesuffix("_el") for file in SHARED_MEMORY.glob("fastdds_*_el")}
        pids = {self.process.pid, *self.pids().values()}
        locks = [line.split() for line in Path("/proc/locks").read_text().splitlines()]
        held = {int(lock[5].split(":")[2]) for lock in locks if lock[1] == "FLOCK" and int(lock[4]) in pids}
        assert held & set(names), "they use shared memory, as long as the middleware does"
        return {names[inode] for inode in held if inode in names}

    def logs(self) -> str:
        """Output of every node."""
        return "".join(file.read_text() for file in sorted((self.results / "logs").glob("*.txt")))

    def _is_ours(self, pid: int) -> bool:
        return _environment(pid).get("ROS_LOG_DIR") == str(self.results.absolute() / "logs") and "TESTBED_LIFELINE" in (
            _environment(pid)
        )

    def _read(self) -> None:
        for line in self.process.stdout:
            with self._heard:
                self._lines.append(line)
                self._heard.notify_all()
        with self._heard:
            self._heard.notify_all()


def _texts(reader: RecordingReader, topic: str) -> str:
    channel = reader.channels.get(topic)
    return b"".join(channel.data(index) for index in range(len(channel))).decode(errors="replace") if channel else ""


def _any_open(reader: RecordingReader, topic: str, first: int) -> bool:
    channel = reader.channels[topic]
    return any(
        max(deserialize(channel.data(index), channel.type).position) > 0.5 for index in range(first, len(channel))
    )


def left_behind(names: set[str]) -> set[str]:
    """Which of these files in shared memory are there and used by nobody.

    Ports from 7000 on are left out: all domains share them, so another session may have taken and left one meanwhile.
    """
    left = {name for name in names if (SHARED_MEMORY / name).exists() and not name.startswith("fastdds_port70")}
    for pid in _processes():
        left -= used_by(str(pid))
    return left


def open_after(recording: Recording, stamp: int) -> dict[str, float]:
    """For each vehicle, how long after `stamp` (ns) its last open valve was seen open, s; negative: before."""
    found = {}
    for name, one in recording.vehicles.items():
        opened = one.valves.stamps[one.valves.open.any(axis=1)]
        assert len(opened), f"{name} never opened a valve, so this shows nothing"
        found[name] = (int(opened[-1]) - stamp) / NS_PER_S
    return found


def all_closed_at_the_end(recording: Recording) -> bool:
    """Whether the last recorded state of every vehicle's valves is closed."""
    return all(len(one.valves.stamps) and not one.valves.open[-1].any() for one in recording.vehicles.values())


def _processes() -> list[int]:
    return [int(entry.name) for entry in os.scandir("/proc") if entry.name.isdigit()]


def _environment(pid: int) -> dict[str, str]:
    try:
        entries = Path(f"/proc/{pid}/environ").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return {}
    return dict(entry.split("=", 1) for entry in entries if "=" in entry)


def _name(pid: int) -> str:
    """Name of a node from its command line; empty for a process that is none."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except OSError:
        return ""
    if "node" not in words:
        return ""
    node = words[words.index("node") + 1]
    namespaces = [word.removeprefix("__ns:=/") for word in words if word.startswith("__ns:=/")]
    return "-".join([*namespaces, *([] if node == "vehicle" else [node])])


class _gone_is_fine:
    """A process may end between being found and being looked at."""

    def __enter__(self) -> None:
        pass

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> bool:
        return kind is not None and issubclass(kind, (ProcessLookupError, KeyError))
