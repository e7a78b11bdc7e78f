"""What the estimator does not know of its thrust, as noise of the velocity.

The error of a valve is a fraction of what it gives and lasts: pulses one after the other are wrong the same way. So
the variance of the velocity grows as the square of what the valve has given, not in proportion to it. A pulse of m m/s
after a dose of D m/s adds σ²·((D + m)² - D²), along the valve's own direction. The dose is forgotten as fast
as ranges correct the velocity. The same for what all valves share, such as the error of the mass, whose dose is a
vector: pushing back and forth takes it away again.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.flight.estimation.layout import POSITION, VELOCITY

USUAL_RATE: Final = 0.4
"""The rate while nothing is known of it, 1/s."""
LEAST_RATE, HIGHEST_RATE = 0.1, 1.0
"""What the rate is held between, 1/s: right after its start the filter's covariance is not that of a steady one."""

SOONER: Final = 1.15
"""So much sooner an error has no part in the velocity; found on seeds that no proof uses."""


@njit(cache=True)
def correction_rate(p: Any, track: Any) -> float:
    """How fast ranges correct the velocity, 1/s: its variance over its covariance with the position.

    In a steady filter of position and velocity that is √2·ω with ω its frequency (e.g. Bar-Shalom et al., Estimation
    with Applications, from memory), also where the position has a floor of its own. A lasting error b of the
    acceleration, taken for white noise of density 2·b²/ω, leaves as much doubt there as it really does. Where it lasts
    longer, the disturbance takes it over, so that less is right: hence SOONER.
    """
    square, cross = 0.0, 0.0
    for i in range(3):
        square += p.free[i] * track.covariance[VELOCITY + i, VELOCITY + i]
        cross += p.free[i] * track.covariance[POSITION + i, VELOCITY + i]
    if cross <= 0.0:
        return USUAL_RATE
    return min(max(SOONER * square / cross, LEAST_RATE), HIGHEST_RATE)


@njit(cache=True)
def forget(p: Any, s: Any, dt: float) -> None:
    """Let the doses fade for dt s, as fast as ranges tell their effect on the velocity."""
    left = max(0.0, 1.0 - dt * s.correction_rate)
    for valve in range(p.valve_count):
        s.valve_dose[valve] *= left
    for i in range(3):
        s.shared_dose[i] *= left


@njit(cache=True)
def add_valve_error(p: Any, s: Any, slot: int, valve: int, share: float, dt: float) -> None:
    """Add to the noise of history interval `slot`, dt s long, that of a valve which gives this share of its thrust.

    Strength is wrong along the push, lean across it.
    """
    size = share * p.push_size[valve]
    growth = size * (2.0 * s.valve_dose[valve] + size * dt)
    s.valve_dose[valve] += size * dt
    across = growth * p.thrust_lean * p.thrust_lean
    along = growth * p.thrust_error * p.thrust_error - across
    direction, noise = p.push_direction[valve], s.history_noise[slot]
    for i in range(3):
        noise[i, i] += across
        for j in range(3):
            noise[i, j] += along * direction[i] * direction[j]


@njit(cache=True)
def add_shared_error(p: Any, s: Any, slot: int, dt: float) -> None:
    """Add the noise of what is wrong with all valves at once; `s.history_push` of the slot is complete."""
    push, dose, noise = s.history_push[slot], s.shared_dose, s.history_noise[slot]
    square = push[0] * push[0] + push[1] * push[1] + push[2] * push[2]
    if square == 0.0:
        return
    given = (dose[0] * push[0] + dose[1] * push[1] + dose[2] * push[2]) / math.sqrt(square)
    growth = 2.0 * max(0.0, given) / math.sqrt(square) + dt
    growth *= p.shared_thrust_error * p.shared_thrust_error
    for i in range(3):
        dose[i] += push[i] * dt
        for j in range(3):
            noise[i, j] += growth * push[i] * push[j]
