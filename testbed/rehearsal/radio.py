"""The radio in the engine: worked out after each stretch of steps, from the odometry on the tape.

Nobody in a vehicle works with what it hears yet, so it need not be inside the compiled loop. Order within a tick as in
nodes/radio.py: first what has come through is given out, then what is estimated at that tick is sent.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.messages import ODOMETRY, TICK_NS
from testbed.model.draws import Draws
from testbed.model.radio import Radio, hear, send
from testbed.rehearsal.wiring import ODOMETRY as ODOMETRY_COLUMN

Heard = tuple[int, NDArray[np.void]]
"""Stamp of the tick, and what each receiver has of each sender, messages.ODOMETRY (receiver, sender)."""


class RadioStep:
    """Sends and hears for a stretch of steps of the conductor; `heard`: what was given out, if that is to be told."""

    def __init__(self, radio: Radio, draws: Draws) -> None:
        self.radio, self._draws = radio, draws
        self._newest = np.zeros(radio.vehicles, ODOMETRY)
        self._untold = np.zeros((1, radio.vehicles, radio.vehicles), ODOMETRY)
        self.heard: list[Heard] = []

    @property
    def period(self) -> int:
        """Time from one sending to the next, ns; 0 where there is nobody to talk to."""
        return self.radio.period if self.radio.on else 0

    def take(self, tape: Any, ticks: range, tell: bool = True) -> None:
        """Go through the ticks (stamps, ns) of a stretch; `tape` holds every odometry of it."""
        self.heard = []
        if not self.radio.on:
            return
        one, stamps = self.radio, np.arange(ticks.start, ticks.stop, ticks.step)
        stamps = stamps[stamps // one.period != (stamps - TICK_NS) // one.period]
        heard = np.zeros((len(stamps), *self._untold.shape[1:]), ODOMETRY) if tell else self._untold
        uniforms = self._draws.radio(len(stamps))
        counts = tape.counts[:, ODOMETRY_COLUMN].copy()
        relay(one.parameters, one.senders, one.links, self._newest, tape.odometry, counts, stamps, uniforms, heard)
        if tell:
            self.heard = list(zip(stamps.tolist(), heard, strict=True))


@njit(cache=True)
def relay(
    p: Any,
    senders: Any,
    links: Any,
    newest: Any,
    odometry: Any,
    counts: NDArray[np.int64],
    stamps: NDArray[np.int64],
    uniforms: NDArray[np.float64],
    heard: Any,
) -> None:
    """Hear, then send, at each of the stamps (ns), what has been estimated by then; fills `heard`, one row a stamp.

    With fewer rows than stamps they are filled anew and anew.
    """
    rows = np.zeros(len(newest), np.int64)
    for k in range(len(stamps)):
        hear(senders, links, stamps[k], heard[k % len(heard)])
        for v in range(len(newest)):
            while rows[v] < counts[v] and odometry[v, rows[v]].stamp <= stamps[k]:
                if odometry[v, rows[v]].stamp == stamps[k]:
                    newest[v] = odometry[v, rows[v]]
                rows[v] += 1
        send(p, senders, links, stamps[k], newest, uniforms[k])
