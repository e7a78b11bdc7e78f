"""A ROS domain of one's own on this machine, so that rehearsals side by side do not hear each other."""

from __future__ import annotations

import fcntl
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Final

# Above 100 the ports of a domain reach those that the system hands out; 0 is where people work.
DOMAINS: Final = range(1, 101)


@contextmanager
def free_domain() -> Iterator[int]:
    """Reserve a domain by a lock file until the block ends; the lock ends with the process, even if it is killed.

    Raises:
        OSError: all domains are taken.

    """
    for domain in DOMAINS:
        lock = _locked(Path(tempfile.gettempdir(), f"testbed-domain-{domain}.lock"))
        if lock is not None:
            with lock:
                yield domain
            return
    raise OSError(f"all ROS domains from {DOMAINS[0]} to {DOMAINS[-1]} are taken")


def _locked(path: Path) -> IO[str] | None:
    """Open and lock `path`; None where another process or user has it."""
    try:
        file = path.open("a")
    except PermissionError:
        return None
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        return None
    return file
