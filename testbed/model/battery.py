"""The battery: a source whose voltage falls with its charge, behind a resistance, drained by electronics and valves.

Loads draw constant power: P = V·I with V = U(q) - R·I, so that I = (U - sqrt(U² - 4·R·P))/(2·R). Every 100 ms the mean
load of the time since is taken from the charge at once. U is linear in q between the points of its table; its fall
during the step acts like a resistance of half the step times dU/dq, which keeps the balance exact: what the cell gave,
the integral of U over the charge, is what was delivered plus I²·R (but for the step in which a point of the table is
passed, 1e-7 of that step's energy).
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.vehicle import Battery

STEP: Final = 0.0999
"""The load is averaged until this time, s, has passed: ten ticks."""
GOOD, DEAD = 1, 3
"""Values of power_supply_health, as BatteryState has them."""


def set_battery(vehicle: np.void, battery: Battery) -> None:
    """Fill the parameters of one records.VEHICLE."""
    table = np.array(battery.open_circuit_points)
    count = len(table)
    vehicle["battery_capacity"] = battery.capacity
    vehicle["battery_points"] = count
    vehicle["battery_point_charge"][:count] = table[:, 0] * battery.capacity
    vehicle["battery_point_voltage"][:count] = table[:, 1]
    vehicle["internal_resistance"] = battery.internal_resistance
    vehicle["cutoff_voltage"] = battery.cutoff_voltage
    vehicle["idle_power"], vehicle["valve_power"] = battery.idle_power, battery.valve_power


def charge_batteries(vehicles: NDArray[np.void], states: NDArray[np.void]) -> None:
    """Set each battery full, under the load of the electronics."""
    for vehicle, state in zip(vehicles, states, strict=True):
        state["battery_charge"] = vehicle["battery_capacity"]
        voltage = float(vehicle["battery_point_voltage"][vehicle["battery_points"] - 1])
        resistance = float(vehicle["internal_resistance"])
        current = current_of(voltage, resistance, float(vehicle["idle_power"]))
        state["battery_current"], state["battery_voltage"] = current, voltage - resistance * current


@njit(cache=True)
def read_battery(vehicle: Any, state: Any, stamp: int, reading: Any) -> None:
    """Fill a messages.BATTERY record."""
    reading.stamp = stamp
    reading.voltage, reading.current = state.battery_voltage, -state.battery_current
    reading.charge = state.battery_charge
    reading.percentage = state.battery_charge / vehicle.battery_capacity
    reading.power_supply_health = DEAD if state.power_off else GOOD


@njit(cache=True, forceinline=True, error_model="numpy")
def drain(vehicle: Any, state: Any, duration: float, valve_seconds: float) -> bool:
    """Add a load of `duration` s, in which valves were commanded open for `valve_seconds` s in sum.

    Returns whether the battery has just given out: its voltage fell below the cut-off, or it is empty.
    """
    state.load_seconds += duration
    state.load_valve_seconds += valve_seconds
    if state.load_seconds < STEP:
        return False
    discharge(vehicle, state)
    if state.power_off or (state.battery_voltage >= vehicle.cutoff_voltage and state.battery_charge > 0.0):
        return False
    state.power_off = 1
    return True


@njit(cache=True)
def discharge(vehicle: Any, state: Any) -> None:
    """Take the load since the last step from the charge; a battery that has given out carries none."""
    duration = state.load_seconds
    power = vehicle.idle_power + vehicle.valve_power * state.load_valve_seconds / duration
    if state.power_off:
        power = 0.0
    state.load_seconds = state.load_valve_seconds = 0.0
    voltage, slope = open_circuit(vehicle, state.battery_charge)
    fall = 0.5 * slope * duration
    current = current_of(voltage, vehicle.internal_resistance + fall, power)
    current = min(current, state.battery_charge / duration)
    terminal = voltage - (fall + vehicle.internal_resistance) * current
    state.battery_current, state.battery_voltage = current, terminal
    state.battery_charge = max(0.0, state.battery_charge - current * duration)
    state.battery_delivered += terminal * current * duration
    state.battery_losses += vehicle.internal_resistance * current * current * duration


@njit(cache=True)
def current_of(voltage: float, resistance: float, power: float) -> float:
    """Current, A, at which a source of this voltage behind a resistance delivers a power, W, or as much as it can."""
    square = voltage * voltage - 4.0 * resistance * power
    if square <= 0.0:
        return voltage / (2.0 * resistance)
    return 2.0 * power / (voltage + math.sqrt(square))


@njit(cache=True)
def open_circuit(vehicle: Any, charge: float) -> tuple[float, float]:
    """Open-circuit voltage, V, at a charge, C, and its slope, V/C."""
    k = 0
    while k < vehicle.battery_points - 2 and vehicle.battery_point_charge[k + 1] < charge:
        k += 1
    q, u = vehicle.battery_point_charge, vehicle.battery_point_voltage
    slope = (u[k + 1] - u[k]) / (q[k + 1] - q[k])
    return u[k] + slope * (charge - q[k]), slope


def energy_left(vehicle: np.void, charge: float) -> float:
    """Chemical energy, J: the integral of the open-circuit voltage over the charge left."""
    count = vehicle["battery_points"]
    q, u = vehicle["battery_point_charge"][:count], vehicle["battery_point_voltage"][:count]
    below = q < charge
    points, voltages = np.append(q[below], charge), np.append(u[below], np.interp(charge, q, u))
    return float(np.trapezoid(voltages, points))
