"""Single keys from the terminal while a rehearsal runs: what the operator may ask without a second window."""

from __future__ import annotations

import os
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
    """Read keys without waiting until the block ends; yields a function that tells the next request, empty if none.

    A stop comes before everything else that was typed, and what was typed before it is forgotten.
    """
    if not sys.stdin.isatty():
        yield lambda: ""
        return
    descriptor = sys.stdin.fileno()
    before = termios.tcgetattr(descriptor)
    tty.setcbreak(descriptor)

    waiting: list[str] = []

    def pressed() -> str:
        # Not sys.stdin.read: it takes all that is there into its buffer, where select no longer sees it.
        if select.select([descriptor], [], [], 0.0)[0]:
            typed = os.read(descriptor, 64).decode(errors="ignore")
            waiting.extend(KEYS[key] for key in typed if key in KEYS)
        if "stop" in waiting:
            waiting.clear()
            return "stop"
        return waiting.pop(0) if waiting else ""

    try:
        yield pressed
    finally:
        termios.tcsetattr(descriptor, termios.TCSADRAIN, before)
