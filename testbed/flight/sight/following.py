"""Own motions and looks as they come in: history, phases, and when the partner counts as lost."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import UNKNOWN_VARIANCE
from testbed.flight.sight.layout import (
    ACQUIRED,
    ATTITUDE,
    CONFIRMING,
    ERRORS,
    HISTORY,
    OWN_SPEED,
    POSITION,
    RATE_BIAS,
    RATIOS,
    SEARCHING,
    SPIN,
    VELOCITY,
)
from testbed.flight.sight.motion import carry, own_at
from testbed.flight.sight.update import use_look

GOOD_LOOKS: Final = 3
"""So many looks after the one that gave the pose must agree with it."""
BAD_LOOKS: Final = 3
"""So many looks in a row in which nothing agrees mean that the partner is elsewhere."""
LEARNT, FAR = 0.04, 0.1
"""Standard deviation at which inertia ratios (logarithms) count as known, and how far they may then have moved."""
FIX: Final = (0.03, 0.01, math.radians(5.0), math.radians(2.0))
"""Standard deviations of position m, velocity m/s, attitude rad, spin rad/s (lengths) at which a pose is published."""
LOST: Final = (0.10, 0.10, math.radians(15.0), math.radians(15.0))
"""The same at which it is no longer, because the view was lost for so long."""


@njit(cache=True)
def accept_own(p: Any, s: Any, odometry: Any) -> None:
    """Take in own odometry (ODOMETRY). Where the own estimator has no fix, the partner is lost, too."""
    if odometry.twist_covariance[0, 0] >= UNKNOWN_VARIANCE:
        lose(s)
        s.history_first = s.history_end
        return
    if s.history_end > s.history_first:
        if odometry.stamp <= s.history[(s.history_end - 1) & (HISTORY - 1)].stamp:
            return
        if s.history_end - s.history_first == HISTORY:
            if s.phase != SEARCHING:
                carry(p, s, s.anchor, s.history[(s.history_first + 1) & (HISTORY - 1)].stamp)
            s.history_first += 1
    own = s.history[s.history_end & (HISTORY - 1)]
    own.stamp = odometry.stamp
    own.rate[:] = odometry.angular_velocity
    own.velocity[:] = odometry.linear_velocity
    own.velocity_covariance[:] = odometry.twist_covariance[:3, :3]
    for i in range(3):
        own.rate_error[i] = max(odometry.twist_covariance[3 + i, 3 + i] - p.rate_variance, 0.0)
    s.history_end += 1


@njit(cache=True)
def lose(s: Any) -> None:
    """Forget where the partner is; what was learnt of camera and inertias stays."""
    if s.phase == ACQUIRED:
        s.losses += 1
    s.phase = SEARCHING
    s.good_looks = 0
    s.bad_looks = 0


@njit(cache=True)
def exposed_at(p: Any, s: Any, look: Any) -> int:
    """Number of the own motion after which the look was exposed; -1 if none around that time is kept.

    What is older is then dropped.
    """
    stamp = look.stamp - p.delay
    number = s.history_first
    if number == s.history_end or s.history[number & (HISTORY - 1)].stamp > stamp:
        return -1
    while number + 1 < s.history_end and s.history[(number + 1) & (HISTORY - 1)].stamp <= stamp:
        number += 1
    if number + 1 == s.history_end:
        return -1
    s.history_first = number
    return number


@njit(cache=True)
def accept_look(p: Any, s: Any, look: Any) -> None:
    """Use a look (LOOK) of a partner that is tracked; one that comes too late, or out of order, is counted only."""
    if s.phase == SEARCHING:
        return
    if look.stamp <= s.look_stamp or look.stamp - p.delay < s.anchor.stamp:
        s.late += 1
        return
    stamp = look.stamp - p.delay
    carry(p, s, s.anchor, stamp)
    number = exposed_at(p, s, look)
    if number < 0:
        s.late += 1
        return
    s.look_stamp = look.stamp
    if look.count > 0:
        velocity = np.empty(3)
        rate = own_at(s, number, stamp, velocity)
        used = use_look(p, s, look, rate, True)
        _learn_anew(p, s)
        s.accepted += used
        s.rejected += look.count - used
        _judge(s, look, used)
    if exceeds(s.anchor.covariance, LOST):
        lose(s)


@njit(cache=True)
def _learn_anew(p: Any, s: Any) -> None:
    """Learn the inertia ratios anew from where they are, once they are known and turn out far from where that began.

    What was learnt on the way was reckoned with Euler's equations of another body, and is less sure than the covariance
    says; from the new start it is not.
    """
    track, first = s.anchor, s.ratios_start
    P = track.covariance
    if p.planar or max(P[RATIOS, RATIOS], P[RATIOS + 1, RATIOS + 1]) > LEARNT * LEARNT:
        return
    if max(abs(track.ratios[0] - first[0]), abs(track.ratios[1] - first[1])) <= FAR:
        return
    first[:] = track.ratios
    for i in range(RATIOS, RATIOS + 2):
        for j in range(ERRORS):
            P[i, j] = 0.0
            P[j, i] = 0.0
        P[i, i] = p.start_deviation[i] * p.start_deviation[i]


@njit(cache=True)
def _judge(s: Any, look: Any, used: int) -> None:
    """What a look with markers in it says about the estimate."""
    if used == 0:
        s.good_looks = 0
        s.bad_looks += 1
        if s.bad_looks >= BAD_LOOKS:
            lose(s)
        return
    s.bad_looks = 0
    s.good_looks += 1
    s.last_seen = look.stamp
    if s.phase == CONFIRMING and s.good_looks >= GOOD_LOOKS and not exceeds(s.anchor.covariance, FIX):
        s.phase = ACQUIRED


@njit(cache=True)
def exceeds(P: Any, bounds: Any) -> bool:
    """Whether a standard deviation of position, velocity, attitude or spin, as a length, is not within its bound."""
    for k, first in enumerate((POSITION, VELOCITY, ATTITUDE, SPIN)):
        if not P[first, first] + P[first + 1, first + 1] + P[first + 2, first + 2] <= bounds[k] * bounds[k]:
            return True
    return False


@njit(cache=True)
def begin(p: Any, s: Any, look: Any, position: Any, orientation: Any) -> float:
    """Start with a partner there (centre of mass, own axes) and the look that this was found in.

    Returns the look's squared normalised innovations, prior included; infinite where the look cannot be used.
    """
    number = exposed_at(p, s, look)
    if number < 0:
        return np.inf
    track = s.anchor
    own = s.history[number & (HISTORY - 1)]
    track.stamp = look.stamp - p.delay
    track.position[:] = position
    track.orientation[:] = orientation
    track.spin[:] = 0.0
    velocity = np.empty(3)
    rate = own_at(s, number, track.stamp, velocity)
    for i in range(3):
        track.velocity[i] = -velocity[i]  # a partner at rest
    _forget_motion(p, track.covariance, own)
    track.own_speed[:] = 0.0
    if use_look(p, s, look, rate, False) == 0:
        return np.inf
    s.phase = CONFIRMING
    s.good_looks = 0
    s.bad_looks = 0
    s.look_stamp = look.stamp
    s.last_seen = look.stamp
    return float(s.misfit)


@njit(cache=True)
def _forget_motion(p: Any, P: Any, own: Any) -> None:
    """Set the covariance of motion and own velocity to what is known at the start; the rest keeps what was learnt."""
    for i in range(OWN_SPEED + 3):
        if i >= RATIOS and i < OWN_SPEED:
            continue
        for j in range(ERRORS):
            P[i, j] = 0.0
            P[j, i] = 0.0
    for i in range(RATIOS):
        P[i, i] = p.start_deviation[i] * p.start_deviation[i]
    axes = 2 if p.planar else 3
    for i in range(axes):
        for j in range(axes):
            P[OWN_SPEED + i, OWN_SPEED + j] = own.velocity_covariance[i, j]
    if P[RATE_BIAS + 2, RATE_BIAS + 2] == 0.0:
        for i in range(2 if p.planar else 0, 3):
            P[RATE_BIAS + i, RATE_BIAS + i] = own.rate_error[i]
