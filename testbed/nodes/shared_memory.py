"""Files that the middleware keeps in shared memory, and their removal where a killed process left them behind.

Limited to this machine (ROS_AUTOMATIC_DISCOVERY_RANGE=LOCALHOST), rmw_fastrtps always uses shared memory, whatever
FASTDDS_BUILTIN_TRANSPORTS says, and a process that is killed leaves its files in /dev/shm (measured, Kilted). Each
process of a session notes its own beside the logs; whoever ends last removes those that no process uses any more.
"""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import Final

SHARED_MEMORY: Final = Path("/dev/shm")
NOTES: Final = "shared-memory"
_MAPPED: Final = re.compile(r"/dev/shm/(fastdds_\w+)")


def note_own() -> None:
    """Note what this process uses, in the session's log folder; call when its nodes exist."""
    with _notes().open("a") as notes:
        notes.write("".join(f"{name}\n" for name in sorted(used_by("self"))))


def used_by(process: str) -> set[str]:
    """Names of the middleware's files that a process has mapped; none of one that is gone or another user's."""
    try:
        return set(_MAPPED.findall(Path("/proc", process, "maps").read_text(errors="replace")))
    except OSError:
        return set()


def remove_left_behind() -> None:
    """Remove the noted files that nobody outside this session uses; call when ROS has been shut down here."""
    notes = _notes()
    there = {name for name in notes.read_text().split() if (SHARED_MEMORY / name).exists()} if notes.exists() else set()
    for name in there - (_used_by_others() if there else set()):
        for file in (name, f"{name}_el", f"sem.{name}_mutex"):
            (SHARED_MEMORY / file).unlink(missing_ok=True)


def _used_by_others() -> set[str]:
    """Files used by processes of other sessions; those of this one are ending too."""
    ours = f"ROS_LOG_DIR={os.environ['ROS_LOG_DIR']}".encode()
    used: set[str] = set()
    for entry in os.scandir("/proc"):
        if entry.name.isdigit() and entry.name != str(os.getpid()) and (files := used_by(entry.name)):
            try:
                environment = Path("/proc", entry.name, "environ").read_bytes().split(b"\0")
            except OSError:
                continue
            used |= files if ours not in environment else set()
    return used


def _notes() -> Path:
    return Path(os.environ["ROS_LOG_DIR"], NOTES)
