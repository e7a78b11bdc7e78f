"""What one sample of the inertial sensor does: a new interval in the history, and the mean carried to it."""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.description.rotation import cross
from testbed.flight.estimation.cycle import settle
from testbed.flight.estimation.layout import ACQUIRED, HISTORY, IDLE, SEARCHING
from testbed.flight.estimation.propagation import propagate_mean, replay
from testbed.flight.estimation.valve_forces import clear_noise, push_over_interval

LONGEST_GAP: Final = NS_PER_S // 2
"""Without the gyro for longer than this the attitude is anybody's guess, ns."""
BUMP_ERROR: Final = 0.2
"""The push that the accelerometer feels over one interval of a bump may be wrong by this fraction."""


@njit(cache=True)
def accept_imu(p: Any, s: Any, imu: Any) -> None:
    """Carry the estimate to the stamp of `imu` (IMU), whose rate is taken for the mean since the sample before.

    A sample that is not newer, or not finite, is passed over.
    """
    rate, force = imu.angular_velocity, imu.linear_acceleration
    total = rate[0] + rate[1] + rate[2]
    previous = s.now.stamp
    if not math.isfinite(total) or (s.started and imu.stamp <= previous):
        s.malformed += not math.isfinite(total)
        return
    gap = imu.stamp - previous
    if not s.started or gap > LONGEST_GAP:
        if s.started:
            lose(p, s)
        s.started = 1
        s.now.stamp = imu.stamp
        s.anchor.stamp = imu.stamp
        s.history_first = s.history_end
        s.angular_velocity[:] = rate
        return
    if s.history_end - s.history_first == HISTORY:
        _retire_history(p, s)
    number = s.history_end
    slot = number & (HISTORY - 1)
    s.history_start[slot] = previous
    s.history_stop[slot] = imu.stamp
    for i in range(3):
        s.history_rate[slot, i] = rate[i]
        s.spin_up[i] = p.free[3 + i] * (rate[i] - s.angular_velocity[i]) * NS_PER_S / gap
        s.angular_velocity[i] = rate[i]
    push_over_interval(p, s, number)
    _feel_bump(p, s, slot, force, 1e-9 * gap)
    s.history_end = number + 1
    if s.phase == SEARCHING:
        s.now.stamp = imu.stamp
    else:
        propagate_mean(p, s, s.now, slot, imu.stamp)


@njit(cache=True)
def lose(p: Any, s: Any) -> None:
    """Give up the pose; what is known of the gyro bias is kept, a little less sure."""
    if s.phase != SEARCHING:
        s.losses += 1
    if s.phase == ACQUIRED:
        s.first_chirp = 0
    s.phase = SEARCHING
    s.bad_cycles = 0
    s.good_cycles = 0
    s.doubtful_cycles = 0
    s.search_stage = IDLE
    s.cycle_waits = 0
    for i in range(3):
        variance = s.anchor.covariance[9 + i, 9 + i] + (0.25 * p.bias_sigma) ** 2
        s.anchor.covariance[9 + i, 9 + i] = min(variance, p.bias_sigma**2)


@njit(cache=True)
def _feel_bump(p: Any, s: Any, slot: int, force: Any, dt: float) -> None:
    """Put in place of the push what the accelerometer feels, where that is beyond valves, noise and bias.

    So a contact or a hand moves the estimate at once, and makes its velocity less sure. Only along free axes: elsewhere
    the floor carries the weight.
    """
    push = s.history_push[slot]
    square = 0.0
    for i in range(3):
        square += p.free[i] * (force[i] - push[i]) ** 2
    if square > p.bump_threshold * p.bump_threshold and math.isfinite(square):
        tangential = cross(s.spin_up, p.sensor_arm)
        rate = s.history_rate[slot]
        centripetal = cross(rate, cross(rate, p.sensor_arm))
        for i in range(3):
            push[i] += p.free[i] * (force[i] - tangential[i] - centripetal[i] - push[i])
        if s.history_pushed[slot] == 0:
            clear_noise(s, slot)
            s.history_pushed[slot] = 1
        for i in range(3):
            s.history_noise[slot, i, i] += BUMP_ERROR * BUMP_ERROR * square * dt
        s.bumps += 1


@njit(cache=True)
def _retire_history(p: Any, s: Any) -> None:
    """Make room when no beacon cycle has come for long: the older half of the history can no longer be run again."""
    number = s.history_first + HISTORY // 2
    if s.phase == SEARCHING:
        s.history_first = number
        s.search_stage = IDLE
        s.cycle_waits = 0
        return
    replay(p, s, s.anchor, s.history_first, s.history_stop[(number - 1) & (HISTORY - 1)])
    settle(p, s, number)
