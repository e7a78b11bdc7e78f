"""Which messages are due at a tick: the first input whose stamp falls into a new period of the output.

All stamps and periods are int64 ns. Compiled, because the engine asks the same questions inside its loop.
"""

from __future__ import annotations

from typing import Final

from numba import njit

from testbed.description.messages import PERIOD_NS, TICK_NS

ODOMETRY_NS: Final = PERIOD_NS["odometry"]
WRENCH_NS: Final = PERIOD_NS["wrench"]


@njit(cache=True)
def due(stamp: int, period: int) -> bool:
    """Whether a message of this period is due at the tick of this stamp: it is the first tick in a new period."""
    return bool(stamp // period != (stamp - TICK_NS) // period)


@njit(cache=True)
def wrench_due(stamp: int) -> bool:
    """Whether guidance answers the odometry of this stamp: the first odometry in each period of `wrench`."""
    return due(stamp, ODOMETRY_NS) and bool(stamp // WRENCH_NS != (stamp - ODOMETRY_NS) // WRENCH_NS)


@njit(cache=True)
def last_wrench_due(stamp: int) -> int:
    """The last tick at or before a stamp at which guidance answers."""
    tick = stamp - stamp % ODOMETRY_NS
    while not wrench_due(tick):
        tick -= ODOMETRY_NS
    return int(tick)


@njit(cache=True)
def schedule_due(stamp: int, modulation_period: int) -> bool:
    """Whether the thruster driver answers the wrench of this stamp: the first wrench in each modulation period."""
    if not wrench_due(stamp):
        return False
    previous = last_wrench_due(stamp - ODOMETRY_NS)
    return bool(stamp // modulation_period != previous // modulation_period)


@njit(cache=True)
def last_schedule_due(stamp: int, modulation_period: int) -> int:
    """The last tick at or before a stamp at which the thruster driver answers."""
    tick = last_wrench_due(stamp)
    while not schedule_due(tick, modulation_period):
        tick = last_wrench_due(tick - ODOMETRY_NS)
    return int(tick)
