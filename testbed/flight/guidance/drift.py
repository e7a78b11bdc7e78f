"""Drifting about the reference: no pulse inside the deadband, at its edge the smallest one that turns the vehicle back.

Each axis of base_link has its own phase plane. Without a disturbance the smallest pulse makes the limit cycle of Wie,
Space Vehicle Dynamics and Control, and Sidi, Spacecraft Dynamics and Control (from memory): at half the speed of one
pulse to and fro between the edges. Under a steady disturbance the pulse is as large as takes the vehicle up by HOP
deadbands, from where it falls back to the same edge: all pulses go one way, none is wasted on the other. Then no
deadband saves gas, however large: what the disturbance gives has to be given back. A hop is one push straight uphill
along all axes together, and corrects the attitude with it, which takes less gas than one pulse along each axis. Smaller
hops would take as much, so a disturbance that may be an error of the estimate is not hopped against.

Pulses come in trains that go one way: the axis that wants most gets its own, or, lest any come late, all get theirs
together, in as many periods as that takes. Then none gets any for more than a second. So what the valves could not give
exactly is not answered at once, the estimate has seen what was done, and what a valve still owes, which it gives with
the next pulse, does not push against the last.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.description.messages import NS_PER_S
from testbed.description.ticks import schedule_due
from testbed.flight.allocation import Allocation
from testbed.flight.guidance import feedback

HOP: Final = 1.0
"""Height of a hop under a disturbance, in deadbands; two would take it to the other edge."""
DOUBTED: Final = 5e-4
"""So much of a disturbance may be the estimator's error, m/s²: hops are made for what is beyond it."""
BEYOND: Final = 1.25
"""Who is turned back by the disturbance itself within so many deadbands is left to it."""
RETURN: Final = 10.0
"""Who is further out comes back to the edge within this time, s."""
ESCAPE: Final = 2.0
"""Beyond so many deadbands and ESCAPE_LENGTH or ESCAPE_ANGLE the reference is planned anew from where it is."""
ESCAPE_LENGTH: Final = 0.02
ESCAPE_ANGLE: Final = math.radians(2.0)
PAUSE: Final = 1_200_000_000
"""From the end of the last period of a train to the next train, ns."""
GENTLE: Final = 0.45
"""Of the longest pulses, what is given together takes: to get all out of a layout takes its least frugal valves too."""
CARRIED_SHARE: Final = 0.3
"""A valve open for less than this share of the longest need not open in the smallest pulse: its time is owed."""
A_LITTLE_MORE: Final = 1.001
"""So that rounding leaves no pulse shorter than the smallest."""
LARGE: Final = 4.0
"""A pulse of at least so many smallest ones may be given together with others."""
MOST: Final = 0.9
"""The longest pulse is this share of all that the valves can do in a period."""


def pulse_speeds(
    layout: Allocation, columns: NDArray[np.float64], bit: float, period: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Smallest and largest change of speed by the pulses of one period, m/s and rad/s, shape (6, 2): forth and back.

    columns: wrench per acceleration along or about each axis, (6, 6); bit: shortest full thrust of a valve, s. Zero
    where the valves can do nothing.
    """
    least, most = np.zeros((6, 2)), np.zeros((6, 2))
    for axis in range(6):
        for side, sense in enumerate((1.0, -1.0)):
            wrench = sense * columns[:, axis]
            acceleration = layout.authority(wrench)
            if acceleration <= 0.0:
                continue
            duty, _, _ = layout.allocate(0.5 * acceleration * wrench)
            working = duty[duty >= CARRIED_SHARE * duty.max()]
            least[axis, side] = A_LITTLE_MORE * bit * 0.5 * acceleration / working.min()
            most[axis, side] = max(MOST * acceleration * period, least[axis, side])
    return least, most


@njit(cache=True)
def push(p: Any, s: Any, odometry: Any, disturbance: Any, wrench: Any) -> None:
    """Fill force and torque of `wrench`: the reference's own acceleration, and the pulse of this modulation period."""
    if schedule_due(odometry.stamp, p.period_ns):
        look(p, s, odometry, disturbance)
        if s.short:
            s.owed[:] = 0.0
        elif odometry.stamp - s.fired >= p.period_ns + PAUSE and load(p, s) == 0.0:
            begin_train(p, s)
        choose(p, s, odometry.stamp)
    before = feedback.reference_centre_velocity(p, s.pulse_start)
    after = feedback.reference_centre_velocity(p, s.pulse_end)
    x, y, z = (after[0] - before[0]) / p.period, (after[1] - before[1]) / p.period, (after[2] - before[2]) / p.period
    force = rotation.rotate_inverse(odometry.orientation, (x, y, z))
    turn = rotation.multiply(rotation.conjugate(odometry.orientation), s.motion.orientation)
    rate = rotation.rotate(turn, s.motion.rate)
    for k in range(3):
        s.vector[k] = (s.pulse_end.rate[k] - s.pulse_start.rate[k]) / p.period + s.pulse[3 + k]
    torque = feedback.times_inertia(p, s.vector)
    gyroscopic = rotation.cross(rate, feedback.times_inertia(p, rate))
    for k in range(3):
        wrench.force[k] = p.active[k] * p.mass * (force[k] + s.pulse[k])
        wrench.torque[k] = p.active[3 + k] * (torque[k] + gyroscopic[k])
    s.saturated = 0


@njit(cache=True)
def look(p: Any, s: Any, odometry: Any, disturbance: Any) -> None:
    """Fill `offset`, `speed` and `pull`, the acceleration by the disturbance, along and about the axes of base_link."""
    fill_offset(p, s, odometry)
    f = disturbance.force
    pull = f[0] / p.mass, f[1] / p.mass, f[2] / p.mass
    s.pull[0], s.pull[1], s.pull[2] = rotation.rotate_inverse(odometry.orientation, pull)
    s.pull[3] = s.pull[4] = s.pull[5] = 0.0
    aim_hop(p, s)


@njit(cache=True)
def fill_offset(p: Any, s: Any, odometry: Any) -> None:
    """Fill `offset` (of the centre of mass m, and attitude rad) and `speed` relative to the reference, in base_link.

    unsure: standard deviation of the speed.
    """
    for k in range(3):
        s.rate[k] = p.active[3 + k] * odometry.angular_velocity[k]
    arm = rotation.rotate(odometry.orientation, p.centre_of_mass)
    reference_arm = rotation.rotate(s.motion.orientation, p.centre_of_mass)
    here = feedback.centre_velocity(p, odometry.orientation, odometry.linear_velocity, s.rate)
    there = feedback.reference_centre_velocity(p, s.motion)
    away = s.vector
    for k in range(3):
        away[k] = odometry.position[k] + arm[k] - s.motion.position[k] - reference_arm[k]
    q = odometry.orientation
    s.offset[0], s.offset[1], s.offset[2] = rotation.rotate_inverse(q, away)
    velocity = here[0] - there[0], here[1] - there[1], here[2] - there[2]
    s.speed[0], s.speed[1], s.speed[2] = rotation.rotate_inverse(q, velocity)
    turn = rotation.multiply(rotation.conjugate(s.motion.orientation), q)
    s.offset[3], s.offset[4], s.offset[5] = rotation.to_rotation_vector(turn)
    rate = rotation.rotate_inverse(turn, s.motion.rate)
    for k in range(3):
        s.speed[3 + k] = s.rate[k] - rate[k]
    for k in range(6):
        s.unsure[k] = math.sqrt(max(odometry.twist_covariance[k, k], 0.0))


@njit(cache=True)
def aim_hop(p: Any, s: Any) -> None:
    """Fill `uphill`, the speed of a hop straight against the disturbance, which rises by HOP deadbands.

    Zero where all of the disturbance may be an error.
    """
    square = 0.0
    for k in range(3):
        square += p.active[k] * s.pull[k] * s.pull[k]
    size = math.sqrt(square)
    time = math.sqrt(2.0 * HOP * s.maneuver.deadband / (size - DOUBTED)) if size > DOUBTED else 0.0
    for k in range(3):
        s.uphill[k] = -p.active[k] * s.pull[k] * (1.0 - DOUBTED / size) * time if time > 0.0 else 0.0
        s.uphill[3 + k] = 0.0


@njit(cache=True)
def deadband(s: Any, axis: int) -> float:
    """Half the width of the deadband along an axis, m or rad."""
    return float(s.maneuver.deadband if axis < 3 else s.maneuver.deadband_angle)


@njit(cache=True)
def escaped(p: Any, s: Any) -> bool:
    """Whether the vehicle is so far from its reference that something has carried it there."""
    for k in range(6):
        least = ESCAPE_LENGTH if k < 3 else ESCAPE_ANGLE
        if p.active[k] and abs(s.offset[k]) > ESCAPE * deadband(s, k) + least:
            return True
    return False


@njit(cache=True)
def wanted_change(p: Any, s: Any, axis: int) -> float:
    """Change of speed along an axis that is to be pulsed from now on, m/s or rad/s; 0 for none.

    Decided for the middle of the next pulses.
    """
    ahead, edge = p.lead + 0.5 * p.period, deadband(s, axis)
    place = s.offset[axis] + ahead * (s.speed[axis] + 0.5 * ahead * s.pull[axis])
    outward = 1.0 if place > 0.0 else -1.0
    speed = outward * (s.speed[axis] + ahead * s.pull[axis])
    pull = outward * s.pull[axis]
    place = abs(place)
    if pull > 0.0 and s.uphill[axis] != 0.0 and speed > 0.0:  # a hop begins so early that it turns at the edge
        braking = GENTLE * p.most_change[axis, 1 if outward > 0.0 else 0] / p.period - pull
        place += 0.5 * speed * speed / braking if braking > 0.0 else 0.0
    if place < edge or speed <= 0.0:
        return 0.0
    sure = max(speed - s.unsure[axis], 0.0)
    if sure == 0.0 and place < BEYOND * edge:
        return 0.0
    if pull < 0.0 and place - 0.5 * speed * speed / pull < BEYOND * edge:
        return 0.0
    back = 0.0
    if pull > 0.0:  # who does not hop stays where it is until the next train
        back = abs(s.uphill[axis]) if s.uphill[axis] != 0.0 else pull * (p.period + PAUSE / NS_PER_S)
    smallest = p.least_change[axis, 1 if outward > 0.0 else 0]
    if place > BEYOND * edge:  # something pulls that the estimate does not know of
        back = max(back, (place - edge) / RETURN)
    return -outward * max(sure + back, smallest) if smallest > 0.0 else 0.0


@njit(cache=True)
def begin_train(p: Any, s: Any) -> None:
    """Fill `owed` with what the axis wants that wants most; if `joined`, with what each does, to be pulsed together.

    Together go large pulses, all where one is late, and where one axis is turned against the disturbance, all axes.
    """
    hopping, large, small, late = False, False, False, False
    for k in range(6):
        s.owed[k] = wanted_change(p, s, k) if p.active[k] else 0.0
        hopping = hopping or (k < 3 and s.owed[k] * s.uphill[k] > 0.0)
        if k < 3 and s.owed[k] != 0.0:
            is_large = abs(s.owed[k]) >= LARGE * p.least_change[k, 0 if s.owed[k] > 0.0 else 1]
            large, small = large or is_large, small or not is_large
        late = late or (s.owed[k] != 0.0 and abs(s.offset[k]) > BEYOND * deadband(s, k))
    s.joined = hopping or late or (large and not small)
    if hopping:
        hop(p, s)
    elif not s.joined:
        chosen = most_owed(p, s)
        for k in range(6):
            s.owed[k] = s.owed[k] if k == chosen else 0.0


@njit(cache=True)
def hop(p: Any, s: Any) -> None:
    """Fill `owed` with what a hop takes: straight uphill, and attitude to the middle when it ends."""
    up = math.sqrt(s.uphill[0] ** 2 + s.uphill[1] ** 2 + s.uphill[2] ** 2)
    flight = 2.0 * s.maneuver.deadband * HOP / up
    for k in range(6):
        if s.uphill[k] != 0.0:
            change = s.uphill[k] - s.speed[k] - (p.lead + 0.5 * p.period) * s.pull[k]
        else:
            sure = max(abs(s.speed[k]) - s.unsure[k], 0.0)
            change = -math.copysign(sure, s.speed[k]) - s.offset[k] / (2.0 * flight)
        if p.active[k] and p.most_change[k, 0 if change > 0.0 else 1] > 0.0:
            s.owed[k] = change


@njit(cache=True)
def most_owed(p: Any, s: Any) -> int:
    """The axis along which most is owed beside the smallest pulse along it; -1 where nothing is."""
    chosen, most = -1, 0.0
    for k in range(6):
        if s.owed[k] != 0.0:
            amount = abs(s.owed[k]) / p.least_change[k, 0 if s.owed[k] > 0.0 else 1]
            if amount > most:
                chosen, most = k, amount
    return chosen


@njit(cache=True)
def load(p: Any, s: Any) -> float:
    """Periods that it takes to give all that is owed together; 0 where nothing is."""
    periods = 0.0
    for k in range(6):
        if s.owed[k] != 0.0:
            periods += abs(s.owed[k]) / p.most_change[k, 0 if s.owed[k] > 0.0 else 1]
    return periods


@njit(cache=True)
def choose(p: Any, s: Any, stamp: int) -> None:
    """Pulse along the axis that is owed a pulse; what is joined is given together."""
    for k in range(6):
        s.pulse[k] = 0.0
    chosen = most_owed(p, s)
    if chosen < 0:
        return
    s.fired = stamp
    if s.joined:
        parts = math.ceil(load(p, s) / GENTLE)
        for k in range(6):
            s.pulse[k] = s.owed[k] / parts / p.period
            s.owed[k] = 0.0 if parts == 1 else s.owed[k] * (parts - 1) / parts
        return
    side = 0 if s.owed[chosen] > 0.0 else 1
    sense, left = 1.0 - 2.0 * side, abs(s.owed[chosen])
    size = min(left, p.most_change[chosen, side])
    if 0.0 < left - size < p.least_change[chosen, side]:
        size = 0.5 * left
    s.owed[chosen] = sense * (left - size)
    s.pulse[chosen] = sense * size / p.period


@njit(cache=True)
def forget(s: Any) -> None:
    """Owe nothing; no pulse has been given."""
    for k in range(6):
        s.owed[k] = s.pulse[k] = s.offset[k] = 0.0
    s.fired, s.joined = 0, 0
