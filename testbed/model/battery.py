"""The battery: energy that the electronics and the open valves drain."""

from __future__ import annotations

from typing import Any

from numba import njit


@njit(cache=True)
def drain(vehicle: Any, state: Any, duration: float, valve_seconds: float) -> None:
    """Use the energy of `duration` s, in which valves were commanded open for `valve_seconds` s in sum."""
    used = vehicle.idle_power * duration + vehicle.valve_power * valve_seconds
    state.battery_energy = max(0.0, state.battery_energy - used)
