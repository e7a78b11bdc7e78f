"""The believed strength of the thrust while valves open and close: how far the supply sags, and recovers.

Strength is thrust over nominal thrust, σ = (p - back)/(nominal - back). Regulator, plenum and open valves make it go
exponentially, σ' = -ρ·(1 + φ)·(σ - σ∞) with σ∞ = lock/(1 + φ) - base, where φ is the flow of the open valves over the
regulator's conductance. Its integral since the start of the period is the time of nominal thrust that a valve has got
which was open since then.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.plenum import plenum_of
from testbed.description.vehicle import Vehicle

PARAMETERS: Final = np.dtype(
    [("rate", "f8"), ("lock", "f8"), ("base", "f8"), ("draw", "f8", (messages.MAX_VALVES,))], align=True
)
"""rate: ρ with every valve closed, 1/s, 0 for a perfect regulator; draw: what each open valve adds to φ."""

STATE: Final = np.dtype([("time", "f8"), ("strength", "f8"), ("sum", "f8"), ("draw", "f8"), ("open", "i8")], align=True)
"""time s since the start of the period, strength then, its integral until then, φ and how many valves are open."""

LEAST: Final = 1e-3
"""Strength below which no supply is taken to sag."""
_STEPS: Final = 2
"""Of Newton's method for the time of a closing: each squares an error that starts below the sag, and what is then left,
some 1e-5 of the pulse, is booked."""


def supply_parameters(vehicle: Vehicle) -> NDArray[np.void]:
    """PARAMETERS of a vehicle as believed: like valves of nominal thrust, the tank full."""
    parameters = np.zeros(1, PARAMETERS)
    p, gas, valves = parameters[0], vehicle.gas, vehicle.thrusters.valves
    pressure, back = gas.regulator.pressure, gas.back_pressure
    thrust = np.array([valve.thrust for valve in valves])
    flow = thrust / (gas.specific_impulse * STANDARD_GRAVITY * pressure)
    plenum = plenum_of(vehicle, float(flow.mean()))
    p["lock"], p["base"] = plenum.lockup / (pressure - back), back / (pressure - back)
    if plenum.conductance > 0.0:
        p["rate"] = plenum.conductance / plenum.capacity
        p["draw"][: len(valves)] = flow / plenum.conductance
    return parameters


def rest_strength(p: np.void) -> float:
    """Strength at the opening of a valve after which all were long closed: the most there is."""
    return float(p["lock"] - p["base"])


@njit(cache=True)
def go_to(p: Any, u: Any, time: float) -> None:
    """Let the time go on to `time` s with the same valves open."""
    step = time - u.time
    if step <= 0.0:
        return
    u.time = time
    if p.rate == 0.0:
        u.sum += step * u.strength
        return
    total = 1.0 + u.draw
    rate, final = p.rate * total, p.lock / total - p.base
    excess = u.strength - final
    gone = -math.expm1(-rate * step)
    u.sum += final * step + excess * gone / rate
    u.strength -= excess * gone


@njit(cache=True)
def time_to(p: Any, u: Any, amount: float, tail: float) -> float:
    """Seconds from now until a valve that closes then, and pushes for `tail` s more, has got `amount` s from now on."""
    if p.rate == 0.0:
        return max(amount / u.strength - tail, 0.0)
    total = 1.0 + u.draw
    rate, final = p.rate * total, p.lock / total - p.base
    excess = u.strength - final
    step = amount / u.strength - tail
    if step <= 0.0:
        return 0.0
    for _ in range(_STEPS):
        left = math.exp(-rate * step)
        strength = final + excess * left
        got = final * step + excess * (1.0 - left) / rate + tail * strength
        step -= (got - amount) / (strength - tail * rate * excess * left)
    return max(step, 0.0)


@njit(cache=True)
def strength_under(p: Any, draw: float) -> float:
    """Strength in the long run while so much is drawn."""
    return max(p.lock / (1.0 + draw) - p.base, LEAST)


@njit(cache=True)
def strength_giving(p: Any, given: float) -> float:
    """Strength in the long run while valves give, summed, so much times what they draw; LEAST if it is too much.

    It is σ = lock/(1 + given/σ) - base, of steady valves. By Jensen's inequality, mean(φ·y) <= mean(φ)·mean(y) for
    y = σ + base, no pulses that give as much leave a larger mean.
    """
    half = 0.5 * (p.lock - p.base - given)
    square = half * half - p.base * given
    return max(half + math.sqrt(square), LEAST) if half > 0.0 and square >= 0.0 else LEAST


@njit(cache=True)
def mean_strength(p: Any, strength: float, draw: float, duration: float) -> float:
    """About the mean over `duration` s that begin with this strength, if so much is drawn throughout."""
    if p.rate == 0.0:
        return strength
    total = 1.0 + draw
    final = p.lock / total - p.base
    x = p.rate * total * duration
    return final + (strength - final) / (1.0 + x * (0.5 + x / 12.0))
