"""Whether a step of a running try may decide something, as compiled code that a loop asks between two steps.

`quiet.py` fills the arrays. Limits have a margin: to ask for nothing costs time, not to ask would be wrong.
This file imports nothing from the rest of plan/, so that no kernel is compiled anew when a plan gets a new key.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.gas_gauge import GAUGE, take_sample
from testbed.description.maneuver import Phase
from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.description.rotation import conjugate, multiply, to_rotation_vector

MARGIN: Final = 1e-9
"""Share of a limit by which it is watched for too early, far above what a different order of rounding can change."""
KELVIN_MARGIN: Final = 1e-6
BATTERY_MARGIN: Final = 1e-6
"""As MARGIN, for what is told in 32 bits."""
PLACE_MARGIN: Final = 1e-6
"""As MARGIN, for how near and how still a vehicle is."""
_HOLDING: Final = int(Phase.HOLDING)

RUNNING, MOVING_IN, IN_PLACE = 0, 1, 2
"""What goes on: a try runs; some vehicle is not yet where it is to begin; all are, and stay there for a while."""
_DOUBTFUL: Final = -1

LIMITS: Final = np.dtype(
    [
        ("until", "i8"),  # from this stamp (ns) on every step decides
        ("settling", "i8"),  # one of the three below
        ("dimensions", "i8"),
        ("together", "u1"),  # vehicles wait for each other before the next maneuver
        ("separation", "f8"),  # m
        ("position_error", "f8"),  # m
        ("spin", "f8"),  # rad/s
        ("low", "f8", (3,)),  # where vehicles may be, m
        ("high", "f8", (3,)),
        ("gas", "f8"),  # least mass in a tank, kg
        ("charge", "f8"),  # least share of a battery's charge
        ("voltage", "f8"),  # least of a battery, V
        ("released", "f8"),  # so much gas may come into the room, m³
        ("float_pressure", "f8"),  # Pa; 0 in the cabin
        # in place, see positioning.Tolerance: m, rad, m/s, rad/s, m
        ("distance", "f8"),
        ("angle", "f8"),
        ("speed", "f8"),
        ("rate", "f8"),
        ("deviation", "f8"),
    ],
    align=True,
)
WATCHED: Final = np.dtype(
    [
        ("busy", "u1"),  # has a maneuver that is not done: it is at `done_stamp`, or when `done_number` is held
        ("done_stamp", "i8"),
        ("done_number", "i8"),
        ("landed", "u1"),
        ("cold", "u1"),  # its tank has been warned of
        ("warning_temperature", "f8"),  # K
        ("coldest", "f8"),  # K; there thrust is no longer modelled
        ("room_volume", "f8"),  # m³ of gas in the room per kg
        ("least", "f8"),  # kg
        ("position", "f8", (3,)),  # where the try begins
        ("orientation", "f8", (4,)),
    ],
    align=True,
)
WEIGHED: Final = np.dtype([("pressure", "f8"), ("temperature", "f8"), ("gauge", GAUGE)], align=True)
"""A tank as last weighed: by which pressure Pa and temperature K, and its gauge after that."""


class WatchArrays(NamedTuple):
    """What `stirs` holds messages against; shapes (1,) for limits, else (n,)."""

    limits: NDArray[np.void]
    watched: NDArray[np.void]
    weighed: NDArray[np.void]
    tables: NDArray[np.void]


@njit(cache=True)
def stirs(
    watch: Any,
    stamp: int,
    supply_is_new: bool,
    battery_is_new: bool,
    readings: Any,
    odometry: Any,
    status: Any,
    truth: Any,
    reference: Any,
) -> bool:
    """Whether the sequence must be asked at the step of a stamp, ns.

    readings: pressure Pa, told_temperature K, carriage_pressure Pa and battery, shape (n,); odometry, status: the
    latest, (n,); truth: all that is new, (n, samples); reference: its newest, (n,).
    """
    if stamp >= watch.limits[0].until or truth.shape[1] == 0:
        return True
    if supply_is_new and _supply_stirs(watch, stamp, readings):
        return True
    if battery_is_new and _batteries_low(watch.limits[0], readings):
        return True
    if watch.limits[0].settling != RUNNING:
        if placing(watch, odometry) != watch.limits[0].settling:
            return True
    elif _maneuvers_stir(watch, stamp, status):
        return True
    if _vehicles_too_close(watch.limits[0], truth):
        return True
    for v in range(len(odometry)):
        if _flight_stirs(watch.limits[0], stamp, odometry[v], truth[v, truth.shape[1] - 1], reference[v]):
            return True
    return False


@njit(cache=True)
def placing(watch: Any, odometry: Any) -> int:
    """IN_PLACE, or MOVING_IN where some vehicle is not; _DOUBTFUL where the last digits decide. As `missing`."""
    limits, share = watch.limits[0], 0.0
    for v in range(len(odometry)):
        one, q = odometry[v], watch.watched[v].orientation
        off = speed = rate = variance = 0.0
        for i in range(limits.dimensions):
            off += (one.position[i] - watch.watched[v].position[i]) ** 2
            variance = max(variance, one.pose_covariance[i, i])
        for i in range(3):
            speed += one.linear_velocity[i] ** 2
            rate += one.angular_velocity[i] ** 2
        x, y, z = to_rotation_vector(multiply(conjugate(q), one.orientation))
        if not math.isfinite(off + variance + speed + rate + x + y + z):
            return _DOUBTFUL
        worst = max(math.sqrt(off) / limits.distance, math.sqrt(variance) / limits.deviation)
        worst = max(worst, math.sqrt(x * x + y * y + z * z) / limits.angle)
        worst = max(worst, math.sqrt(speed) / limits.speed, math.sqrt(rate) / limits.rate)
        share = max(share, worst)
    if share < 1.0 - PLACE_MARGIN:
        return IN_PLACE
    return MOVING_IN if share > 1.0 + PLACE_MARGIN else _DOUBTFUL


@njit(cache=True)
def _maneuvers_stir(watch: Any, stamp: int, status: Any) -> bool:
    """As Progress.advance: whether there is something new to fly, or nothing more."""
    busy = done = 0
    for v in range(len(status)):
        one = watch.watched[v]
        if one.busy:
            busy += 1
            held = status[v].number == one.done_number and status[v].phase == _HOLDING
            if held or stamp >= one.done_stamp:
                done += 1
    return bool(done > 0 and (done == busy or not watch.limits[0].together)) or busy == 0


@njit(cache=True)
def _flight_stirs(limits: Any, stamp: int, odometry: Any, truth: Any, reference: Any) -> bool:
    """Whether one vehicle has no fix, or has come near a limit of its motion; who is no number has."""
    fix = odometry.stamp == stamp and odometry.pose_covariance[0, 0] < 0.5 * UNKNOWN_VARIANCE
    rate = off = 0.0
    for i in range(3):
        fix = fix and math.isfinite(odometry.position[i])
        rate += odometry.angular_velocity[i] ** 2
    for i in range(limits.dimensions):
        if not limits.low[i] < truth.position[i] < limits.high[i]:
            return True
        off += (truth.position[i] - reference.position[i]) ** 2
    near = 1.0 - MARGIN
    return not (fix and math.sqrt(rate) < near * limits.spin and math.sqrt(off) < near * limits.position_error)


@njit(cache=True)
def _vehicles_too_close(limits: Any, truth: Any) -> bool:
    least = (1.0 + MARGIN) * limits.separation
    if least < 0.0:
        return False
    for a in range(truth.shape[0]):
        for b in range(a + 1, truth.shape[0]):
            for k in range(truth.shape[1]):
                square = 0.0
                for i in range(limits.dimensions):
                    square += (truth[a, k].position[i] - truth[b, k].position[i]) ** 2
                if not square > least * least:
                    return True
    return False


@njit(cache=True)
def _batteries_low(limits: Any, readings: Any) -> bool:
    above = 1.0 + BATTERY_MARGIN
    for v in range(len(readings)):
        battery = readings[v].battery
        if not (battery.percentage > above * limits.charge and battery.voltage > above * limits.voltage):
            return True
    return False


@njit(cache=True)
def _supply_stirs(watch: Any, stamp: int, readings: Any) -> bool:
    """Whether a tank, a carriage or the air of the room asks for a word; takes the samples in."""
    limits = watch.limits[0]
    released = 0.0
    for v in range(len(readings)):
        one, weighed = watch.watched[v], watch.weighed[v]
        gauge, pressure, temperature = weighed.gauge, readings[v].pressure, readings[v].told_temperature
        if limits.float_pressure > 0.0 and (one.landed != 0) != (readings[v].carriage_pressure < limits.float_pressure):
            return True
        if one.cold:
            if temperature > one.warning_temperature + 1.0 - KELVIN_MARGIN:
                return True
        elif temperature < one.warning_temperature + KELVIN_MARGIN:
            return True
        if temperature <= one.coldest + KELVIN_MARGIN:
            return True
        if pressure != weighed.pressure or temperature != weighed.temperature:
            weighed.pressure, weighed.temperature = pressure, temperature
            take_sample(watch.tables[v], gauge, stamp, pressure, temperature)
        if not gauge.mass > (1.0 + MARGIN) * limits.gas:
            return True
        if gauge.mass < one.least:
            released += one.room_volume * (one.least - gauge.mass)
            one.least = gauge.mass
    limits.released -= released
    return not limits.released > 0.0
