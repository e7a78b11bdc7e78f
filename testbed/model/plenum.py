"""The plenum between regulator and valves: its pressure over time, in closed form.

The regulator lets in K·(lockup - p), every open valve lets out its flow per pascal, and the volume holds C kg per
pascal: C·dp/dt = K·(lockup - p) - F·p. While the same valves are open, p goes exponentially to K·lockup/(K + F), so
gas and the integrals that impulses are made of are exact, whatever the step.

Kernels of the step are compiled with error_model="numpy": no divisor there can be zero, and looking each time costs
2 % of the step.
"""

from __future__ import annotations

import math
from typing import Any, Final

from numba import njit

from testbed.description.messages import S_PER_NS

_SERIES_UP_TO: Final = 0.5
_R2, _R3, _R4, _R5, _R6, _R7, _R8, _R9, _R10, _R11, _R12 = (1.0 / math.factorial(j + 3) for j in range(2, 13))
"""Terms of the series without their signs: the next is below 6e-18 up to there."""

Integrals = tuple[float, float, float]
"""Integrals of f, t·f and t²·f over an interval that begins at t = 0."""


@njit(cache=True, forceinline=True, error_model="numpy")
def exponential_integrals(decay: float, duration: float) -> Integrals:
    """Integrals of exp(-decay·t), times 1, t and t², over `duration` s; decay in 1/s, not negative.

    With x = decay·duration: for small x all three follow, without a division, from the series of what the exponential
    leaves after three terms, r = (1 - x + x²/2 - exp(-x))/x³ = Σ (-x)^j/(j + 3)!. For large x each follows from the one
    before by parts, which for small x would cancel.
    """
    x = decay * duration
    if x < _SERIES_UP_TO:
        y = x * x
        z = y * y
        even = 1 / 6 + y * _R2 + z * (_R4 + y * _R6 + z * (_R8 + y * _R10 + z * _R12))
        odd = 1 / 24 + y * _R3 + z * (_R5 + y * _R7 + z * (_R9 + y * _R11))
        rest = even - x * odd
        two_terms = 0.5 - x * rest
        first = 1.0 - x * two_terms
        second = first - two_terms
        third = second - two_terms + 2.0 * rest
    else:
        left, per_x = math.exp(-x), 1.0 / x
        first = (1.0 - left) * per_x
        second = (first - left) * per_x
        third = (2.0 * second - left) * per_x
    square = duration * duration
    return duration * first, square * second, square * duration * third


@njit(cache=True, forceinline=True, error_model="numpy")
def strength_integrals(vehicle: Any, state: Any, duration: float) -> Integrals:
    """Let `duration` s go by with the flow of state.flow out of the plenum; integrals of the thrust's strength.

    Strength is thrust over thrust at nominal pressure, (p - back)/(nominal - back), never negative. Gas that
    goes through the valves adds up in state.gas_released.
    """
    flow, lockup, before = state.flow, state.lockup_pressure, state.plenum_pressure
    scale = vehicle.strength_per_pressure
    conductance = vehicle.regulator_conductance
    half = 0.5 * duration * duration
    if conductance == 0.0:  # a perfect regulator: no plenum to speak of
        steady = max(0.0, lockup - vehicle.back_pressure) * scale
        state.plenum_pressure = lockup
        state.gas_released += flow * lockup * duration
        return steady * duration, steady * half, steady * half * duration * (2.0 / 3.0)
    final = state.final_pressure
    excess = before - final
    one, two, three = exponential_integrals(state.plenum_decay, duration)
    state.plenum_pressure = before - excess * state.plenum_decay * one
    state.gas_released += flow * (final * duration + excess * one)
    steady, excess = state.final_strength, excess * scale
    one = steady * duration + excess * one
    two = steady * half + excess * two
    three = steady * half * duration * (2.0 / 3.0) + excess * three
    if steady < 0.0 or steady + excess < 0.0:  # as the tank runs empty
        return max(0.0, one), max(0.0, two), max(0.0, three)
    return one, two, three


@njit(cache=True, forceinline=True, error_model="numpy")
def set_flow(vehicle: Any, state: Any, flow: float) -> None:
    """From now on let this flow out of the plenum, kg/(s·Pa); called again when state.lockup_pressure changes."""
    state.flow = flow
    conductance = vehicle.regulator_conductance
    if conductance > 0.0:
        state.final_pressure = conductance * state.lockup_pressure / (conductance + flow)
        state.final_strength = (state.final_pressure - vehicle.back_pressure) * vehicle.strength_per_pressure
        state.plenum_decay = (conductance + flow) * vehicle.per_plenum_capacity


@njit(cache=True, error_model="numpy")
def rest_plenum(vehicle: Any, state: Any, stamp: int) -> None:
    """Let the plenum fill, with all valves closed, from when it was last looked at to `stamp` (ns)."""
    if state.plenum_stamp < stamp:
        if state.plenum_pressure != state.lockup_pressure:
            strength_integrals(vehicle, state, (stamp - state.plenum_stamp) * S_PER_NS)
        state.plenum_stamp = stamp


@njit(cache=True, error_model="numpy")
def drawn(vehicle: Any, state: Any) -> float:
    """Gas that came from the tank since the last `note_drawn`, kg: went through the valves or stayed in the plenum."""
    gained = vehicle.plenum_capacity * (state.plenum_pressure - state.plenum_pressure_noted)
    return state.gas_released - state.gas_released_noted + gained


@njit(cache=True, error_model="numpy")
def note_drawn(state: Any) -> None:
    """From now on count anew what comes from the tank."""
    state.plenum_pressure_noted, state.gas_released_noted = state.plenum_pressure, state.gas_released
