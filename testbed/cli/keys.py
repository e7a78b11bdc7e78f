"""Single keys from the terminal while a rehearsal runs: what the operator may ask without a second window."""

from __future__ import annotations

import select
import sys
import termios
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final

KEYS: Final = {" ": "stop", "h": "hold", "g": "release", "n": "skip", "r": "repeat", "e": "end"}
"""Key to request."""

LEGEND: Final = (
    "space: STOP, valves close and vehicles coast   h: hold, brakes under control   g: go on after hold   "
    "n: next run   r: repeat the try   e: end   Ctrl-C: stop and leave"
)


@contextmanager
def requests() -> Iterator[Callable[[], str]]:
    """Read keys without waiting until the block ends; yields a function that tells the next request, empty if none."""
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)

    def pressed() -> str:
        ready, _, _ = select.select([sys.stdin], [], [], 0.0)
        return KEYS.get(sys.stdin.read(1), "") if ready else ""

    try:
        yield pressed
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
