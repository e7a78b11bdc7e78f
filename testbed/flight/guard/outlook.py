"""Where, how fast and how soon: the motion after a wrench has acted for its period, and the stop from there.

    odometry --wait--> the wrench begins to act --period--> the next schedule's brake begins to act --> standstill

The attitude is taken as it is while the wrench acts (2 degrees at most). From then on the brake takes speed and spin
away together: the wrenches that valves can give are convex, so the time is at most speed / push + spin / turn, with the
braking that can be given of either alone, and the way is half of speed times time.

What is told of the speed may be wrong the same way for long. A vehicle that only stopped at the edge by what it is told
would creep out at that much; so where doubt cannot exclude that it stops outside, it has to go back in, at a speed that
is no less inward than the doubt about it and what pulls until the next wrench.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description import rotation
from testbed.description.messages import NS_PER_S
from testbed.description.rotation import Vector3
from testbed.flight.allocation import allocation
from testbed.flight.guard.credible import Known

SIGMAS: Final = 3.0
"""Standard deviations that count as possible."""
LEAST_SHARE_OF_SPEED: Final = 0.5
"""Doubt takes at most the rest of a limit on speed or spin."""
TURNED: Final = 0.1
"""Angle rad by which the vehicle may turn while it stops, for the braking to be that of its attitude before."""
ROUNDING: Final = 1e-9


@njit(cache=True)
def look_ahead(p: Any, s: Any, odometry: Any, stamp: int, known: int) -> None:
    """Bring the estimate to where the wrench begins to act, and work out what the limits are, doubt taken off."""
    q = s.orientation
    q[0], q[1], q[2], q[3] = rotation.normalise(odometry.orientation)
    s.wait = (p.lead + p.delay + stamp - odometry.stamp) / NS_PER_S
    swing = rotation.cross(odometry.angular_velocity, p.centre_of_mass)
    v = odometry.linear_velocity
    before = rotation.rotate(q, (v[0] + swing[0], v[1] + swing[1], v[2] + swing[2]))
    push = rotation.rotate(q, (s.coming[0], s.coming[1], s.coming[2]))
    spun = rotation.times(p.inverse_inertia, (s.coming[3], s.coming[4], s.coming[5]))
    linear, angular = 0.0, 0.0
    for k in range(3):
        start = p.active[k] * before[k]
        s.velocity[k] = p.active[k] * (before[k] + push[k] / p.mass)
        s.position[k] = odometry.position[k] + 0.5 * (start + s.velocity[k]) * s.wait
        s.rate[k] = p.active[3 + k] * (odometry.angular_velocity[k] + spun[k])
        linear = max(linear, p.active[k] * odometry.twist_covariance[k, k])
        angular = max(angular, p.active[3 + k] * odometry.twist_covariance[3 + k, 3 + k])
        s.doubt[k] = SIGMAS * math.sqrt(p.active[k] * odometry.pose_covariance[k, k]) if known == Known.ALL else 0.0
    linear, angular = SIGMAS * math.sqrt(linear), SIGMAS * math.sqrt(angular)
    s.doubt_growth = linear + length(swing)
    s.bounded = known == Known.ALL
    fastest, spin = min(p.speed, p.contact_speed), p.spin
    s.speed_limit = max(fastest - linear, LEAST_SHARE_OF_SPEED * fastest)
    s.way_back = min(linear + p.drift * (s.wait + p.period), s.speed_limit)
    s.spin_limit = max(spin - angular, LEAST_SHARE_OF_SPEED * spin)
    if not s.bounded:  # what makes nothing faster is safe
        s.speed_limit = min(s.speed_limit, length(s.velocity))
        s.spin_limit = min(s.spin_limit, length(s.rate))
    coast(p, s)


@njit(cache=True)
def coast(p: Any, s: Any) -> None:
    """Fill `coasted`: the rate a period later without torque (Euler's equations)."""
    turning = rotation.cross(rotation.times(p.inertia, s.rate), s.rate)
    change = rotation.times(p.inverse_inertia, turning)
    for k in range(3):
        s.coasted[k] = s.rate[k] + p.active[3 + k] * change[k] * p.period


@njit(cache=True)
def foresee(p: Any, s: Any, wrench: Any, share: float) -> None:
    """Fill `later` and `later_rate`: the motion after `share` of `wrench`, shape (6,), has acted for the period."""
    push = rotation.rotate(s.orientation, (wrench[0], wrench[1], wrench[2]))
    spun = rotation.times(p.inverse_inertia, (wrench[3], wrench[4], wrench[5]))
    for k in range(3):
        s.later[k] = s.velocity[k] + p.active[k] * share * push[k] / p.mass * p.period
        s.later_rate[k] = s.coasted[k] + p.active[3 + k] * share * spun[k] * p.period


@njit(cache=True)
def plainly_safe(p: Any, s: Any, spare: float) -> bool:
    """Whether the wrench in `passed` keeps all limits whatever share of it the valves can give, by the slowest brake.

    spare: factor on the way to the stop, for a brake that is to be let go.
    """
    share = 1.0
    force, torque = length(s.passed[:3]), length(s.passed[3:])
    if force > p.most_force:
        share = p.most_force / force
    if torque * share > p.most_torque:
        share = p.most_torque / torque
    foresee(p, s, s.passed, share)
    speed = max(length(s.velocity), length(s.later))
    spin = max(length(s.rate), length(s.coasted), length(s.later_rate))
    if speed > s.speed_limit * (1.0 + ROUNDING) or spin > s.spin_limit * (1.0 + ROUNDING):
        return False
    reach = spare * reach_of(p, speed, spin, p.slowest_push, p.slowest_turn)
    for k in range(3):
        fast, slow = max(s.velocity[k], s.later[k]), min(s.velocity[k], s.later[k])
        if not within(p, s, k, fast, slow, reach, s.way_back):
            return False
    return True


@njit(cache=True)
def reach_of(p: Any, speed: float, spin: float, push: float, turn: float) -> float:
    """Way per speed from the middle of the period to the stop, s; the speed is that at the end of the period."""
    return 0.5 * (p.period + speed / push + spin / turn)


@njit(cache=True)
def margin(s: Any, k: int, reach: float) -> float:
    """How far the stop may be from where it is foreseen along axis k, m: twice `reach` is the time until then."""
    return s.doubt[k] + s.doubt_growth * (s.wait + 2.0 * reach)


@njit(cache=True)
def halfway(p: Any, s: Any, k: int) -> float:
    """Position in the middle of the period along axis k at the speed at its start, m."""
    return s.position[k] + 0.5 * p.period * s.velocity[k]


@njit(cache=True)
def stopping(p: Any, s: Any, k: int, reach: float, way_back: float) -> tuple[float, float]:
    """Lowest and highest speed along axis k, m/s, from which the stop lies in the work area, doubt taken off.

    Outside they lead back in, no faster than `way_back`.
    """
    off, middle = margin(s, k, reach) - ROUNDING, halfway(p, s, k)
    lowest = min((p.low[k] + off - middle) / reach, way_back)
    highest = max((p.high[k] - off - middle) / reach, -way_back)
    if lowest > highest:  # either edge may be passed: between the two
        lowest = highest = 0.5 * (lowest + highest)
    return lowest, highest


@njit(cache=True)
def within(p: Any, s: Any, k: int, fast: float, slow: float, reach: float, way_back: float) -> bool:
    """Whether speeds between `slow` and `fast` along axis k, m/s, are among those of `stopping`."""
    if p.active[k] == 0.0 or not s.bounded:
        return True
    lowest, highest = stopping(p, s, k, reach, way_back)
    return fast <= highest + ROUNDING and slow >= lowest - ROUNDING


@njit(cache=True)
def braking(p: Any, s: Any, layout: Any, program: Any) -> tuple[float, float]:
    """Braking to be relied on from `later` and `later_rate`, m/s² and rad/s².

    layout, program: parameters and state of the allocation, whose wrench is overwritten.
    """
    speed, spin = length(s.later), length(s.later_rate)
    if 0.5 * spin * (speed / p.slowest_push + spin / p.slowest_turn) > TURNED:
        return p.slowest_push, p.slowest_turn
    push, turn = p.slowest_push, p.slowest_turn
    if speed > 0.0:
        fixed = -s.later[0] / speed, -s.later[1] / speed, -s.later[2] / speed
        along = rotation.rotate_inverse(s.orientation, fixed)
        for k in range(3):
            program.wrench[k], program.wrench[3 + k] = p.mass * along[k], 0.0
        push = max(push, p.share * allocation.authority(layout, program) - p.drift)
    if spin > 0.0:
        about = -s.later_rate[0] / spin, -s.later_rate[1] / spin, -s.later_rate[2] / spin
        torque = rotation.times(p.inertia, about)
        for k in range(3):
            program.wrench[k], program.wrench[3 + k] = 0.0, torque[k]
        turn = max(turn, p.share * allocation.authority(layout, program))
    return push, turn


@njit(cache=True)
def attainable(layout: Any, program: Any, wrench: Any) -> float:
    """Share of `wrench`, shape (6,), that the valves can give: what saturation leaves of it."""
    nothing = True
    for k in range(6):
        program.wrench[k] = wrench[k]
        nothing = nothing and wrench[k] == 0.0
    return 1.0 if nothing else min(1.0, allocation.authority(layout, program))


@njit(cache=True)
def length(v: Vector3) -> float:
    """Length of a vector."""
    return math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
