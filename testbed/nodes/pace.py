"""When the next tick may come: wall time, or lockstep at a chosen speed."""

from __future__ import annotations

import time

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS

CATCH_UP_NS = NS_PER_S
"""Lockstep: lag beyond which lost time is given up instead of caught up."""


class Pace:
    """Turns stamps into moments of the monotonic clock.

    speed: emulated over wall time; 0 means as fast as the followers answer. On wall time stamps are system time and
    ticks lie on whole multiples of the tick.
    """

    def __init__(self, lockstep: bool, speed: float) -> None:
        self._lockstep = lockstep
        self._speed = speed if lockstep else 1.0
        self._first = 0
        self._begin = 0

    def begin(self) -> int:
        """Stamp of the first tick."""
        if self._lockstep:
            self._first, self._begin = LOCKSTEP_START_NS, time.monotonic_ns()
        else:
            system, self._begin = time.time_ns(), time.monotonic_ns()
            self._first = system - system % TICK_NS
        return self._first

    def reached(self, stamp: int) -> bool:
        """Whether the moment of a tick has come."""
        if self._speed == 0.0:
            return True
        lag = time.monotonic_ns() - self._moment(stamp)
        if self._lockstep and lag > CATCH_UP_NS:
            self._begin += lag
        return lag >= 0

    def wait(self, stamp: int) -> float:
        """Time until the moment of a tick, s, at most 0.02."""
        if self._speed == 0.0 or self._begin == 0:
            return 0.02
        return min(max((self._moment(stamp) - time.monotonic_ns()) / NS_PER_S, 0.0), 0.02)

    def _moment(self, stamp: int) -> int:
        return self._begin + round((stamp - self._first) / self._speed)
