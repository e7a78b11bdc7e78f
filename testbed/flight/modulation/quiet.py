"""Quiet windows: when no own valve may be open, because a chirp of a beacon can arrive.

A chirp leaves its beacon in its slot after the start pulse and arrives after as long as sound takes to the nearest and
to the farthest place where a receiver can be. Between two windows there is a gap, in which valves may be open.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit

from testbed.description import messages
from testbed.description.air import speed_of_sound
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle

MAX_GAPS: Final = 8
"""In one period; with all of them filled by all valves a schedule has as many points as it may have."""
PARAMETERS: Final = np.dtype(
    [
        ("count", "i8"),
        ("cycle", "i8"),
        ("start", "i8", (messages.MAX_BEACONS,)),
        ("end", "i8", (messages.MAX_BEACONS,)),
    ],
    align=True,
)
"""Windows in the order of time, ns after the start pulse of each cycle; count 0: none."""
GAPS: Final = np.dtype([("count", "i8"), ("start", "i8", (MAX_GAPS,)), ("end", "i8", (MAX_GAPS,))], align=True)
"""Gaps within a period, ns after its start."""

JITTERS: Final = 4.0
"""Standard deviations of the valves' delays that a window allows for."""
SLOWER: Final = 0.01
"""Share by which sound may be slower or faster than the measured air says."""


class Windows(NamedTuple):
    """Cycle and windows (start, end) after each start pulse, ns, in terms of commands to the valves."""

    cycle: int = 0
    windows: tuple[tuple[int, int], ...] = ()


NONE: Final = Windows()


def windows_of(vehicle: Vehicle, beacons: Beacons, room: Table | Cabin) -> Windows:
    """Windows of a vehicle with `quiet_windows`, in a room; none for others.

    A command to close stops the jet only after delay and fall, so that a window begins as much earlier; one to open
    starts it after the delay, so that it ends as much earlier.
    """
    thrusters = vehicle.thrusters
    if not thrusters.quiet_windows:
        return NONE
    jitter = JITTERS * thrusters.delay_jitter
    last = thrusters.closing_delay + thrusters.fall_time + jitter
    first = max(thrusters.opening_delay - jitter, 0.0)
    speed = speed_of_sound(beacons.air_temperature, beacons.air_humidity)
    found = []
    for slot, beacon in enumerate(beacons.beacons):
        near, far = _distances(np.array(beacon.position), vehicle, room)
        chirp = slot * beacons.slot
        start = chirp + near / speed * (1.0 - SLOWER) - last
        end = max(chirp + far / speed * (1.0 + SLOWER) - first, start + thrusters.minimum_on)
        found.append((math.floor(start * NS_PER_S), math.ceil(end * NS_PER_S)))
    return Windows(beacons.cycle_ns, tuple(sorted(found)))


def _distances(beacon: np.ndarray[Any, Any], vehicle: Vehicle, room: Table | Cabin) -> tuple[float, float]:
    """Least and largest distance from a beacon to any receiver of a vehicle anywhere in the room, m."""
    reach = max(float(np.linalg.norm(receiver.position)) for receiver in vehicle.receivers)
    if isinstance(room, Table):
        corners = np.array(room.outline)
        height = vehicle.shape.floor_height
        low, high = np.append(corners.min(axis=0), height), np.append(corners.max(axis=0), height)
    else:
        high = 0.5 * np.array(room.size)
        low = -high
    nearest = np.linalg.norm(beacon - np.clip(beacon, low, high))
    farthest = np.linalg.norm(np.maximum(np.abs(beacon - low), np.abs(beacon - high)))
    return max(float(nearest) - reach, 0.0), float(farthest) + reach


def fill(p: np.void, windows: Windows) -> None:
    """Fill PARAMETERS."""
    p["count"], p["cycle"] = len(windows.windows), windows.cycle
    for k, (start, end) in enumerate(windows.windows):
        p["start"][k], p["end"][k] = start, end


def usable(windows: Windows, vehicle: Vehicle) -> list[int]:
    """Time in which a valve can be open, ns, of each period until the pattern of cycle and period repeats."""
    p, g = np.zeros(1, PARAMETERS), np.zeros(1, GAPS)
    fill(p[0], windows)
    period = round(vehicle.thrusters.modulation_period * NS_PER_S)
    shortest = round(vehicle.thrusters.minimum_on * NS_PER_S)
    found = []
    for number in range(math.lcm(windows.cycle, period) // period if windows.windows else 1):
        find_gaps(p[0], g[0], 10 * windows.cycle + number * period, period)
        lengths = (g[0]["end"] - g[0]["start"])[: g[0]["count"]]
        found.append(int(lengths[lengths >= shortest].sum()))
    return found


def share_lost(windows: Windows, vehicle: Vehicle) -> float:
    """Share of the time in which no valve can be open, gaps that are too short for a pulse included."""
    open_time = usable(windows, vehicle)
    return 1.0 - sum(open_time) / (len(open_time) * round(vehicle.thrusters.modulation_period * NS_PER_S))


@njit(cache=True)
def find_gaps(q: Any, g: Any, stamp: int, period: int) -> None:
    """Fill `g` with the gaps in the period from `stamp` (ns)."""
    g.count = 0
    at = 0
    if q.count > 0:
        first, last = stamp // q.cycle - 1, (stamp + period) // q.cycle + 1
        for n in range(first, last + 1):
            for k in range(q.count):
                start, end = n * q.cycle + q.start[k] - stamp, n * q.cycle + q.end[k] - stamp
                if at < start:
                    add_gap(g, at, min(start, period))
                at = max(at, end)
                if at >= period:
                    return
    add_gap(g, at, period)


@njit(cache=True)
def add_gap(g: Any, start: int, end: int) -> None:
    """Add a gap, if there is room for one."""
    if g.count < MAX_GAPS and start < end:
        g.start[g.count], g.end[g.count] = start, end
        g.count += 1
