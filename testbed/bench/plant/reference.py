"""The same flight by scipy's DOP853 at tight tolerance: what the plant's accuracy and MuJoCo's are held against.

Vehicles with steady supply and valves without jitter, on a tilted plane: thrust then follows from the schedules in
closed form, piecewise linear in time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from testbed.bench.plant.flight import LEAD_NS, PERIOD_TICKS
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.rotation import heading

TICK: Final = TICK_NS / NS_PER_S
PERIOD: Final = PERIOD_TICKS * TICK


@dataclass(frozen=True)
class Reference:
    """End of the flight, and what acted on the way.

    end: centre of mass x, y (m) and heading (rad), shape (vehicles, 3). wrench: force along fixed x, y and torque about
    the centre of mass without drag, mean of each tick, N and N·m, shape (ticks, vehicles, 3). openings: mean of each
    tick, shape (ticks, vehicles, MAX_VALVES).
    """

    end: NDArray[np.float64]
    wrench: NDArray[np.float64]
    openings: NDArray[np.float64]


def integrate(
    world: np.void, vehicles: NDArray[np.void], states: NDArray[np.void], on_times: NDArray[np.float64], seconds: float
) -> Reference:
    """Integrate each vehicle from its state for so long."""
    ticks, count = round(seconds / TICK), len(vehicles)
    reference = Reference(
        np.zeros((count, 3)), np.zeros((ticks, count, 3)), np.zeros((ticks, count, on_times.shape[2]))
    )
    for v in range(count):
        bends, openings = _openings(vehicles[v], on_times[:, v], ticks)
        _integrate_one(world, vehicles[v], states[v], bends, openings, reference, v)
    return reference


def _openings(
    vehicle: np.void, on_times: NDArray[np.float64], ticks: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Instants (s) at which any opening bends or a tick ends, and the openings there, shape (instants, valves)."""
    rise, fall = float(vehicle["rise_time"]), float(vehicle["fall_time"])
    opened = PERIOD * np.arange(len(on_times))[:, None] + LEAD_NS / NS_PER_S
    lasting = on_times > 0.0
    # a valve that is opened again at the moment at which it was to close stays open
    joined = lasting[1:] & (np.abs(on_times[:-1] - PERIOD) < 1e-9)
    first = lasting.copy()
    first[1:] &= ~joined
    last = lasting.copy()
    last[:-1] &= ~joined
    rising = (opened + vehicle["opening_delay"] + np.zeros_like(on_times))[:, :, None] + [0.0, rise]
    falling = (opened + vehicle["closing_delay"] + on_times)[:, :, None] + [0.0, fall]
    edges = np.concatenate([rising[first].ravel(), falling[last].ravel(), TICK * np.arange(ticks + 1)])
    bends = np.unique(np.round(edges, 12))
    bends = bends[bends <= ticks * TICK + 1e-12]
    openings = np.zeros((len(bends), on_times.shape[1]))
    for valve in range(on_times.shape[1]):
        for begin in rising[:, valve, 0][first[:, valve]]:
            openings[:, valve] += np.clip((bends - begin) / rise, 0.0, 1.0)
        for begin in falling[:, valve, 0][last[:, valve]]:
            openings[:, valve] -= np.clip((bends - begin) / fall, 0.0, 1.0)
    return bends, openings


def _integrate_one(
    world: np.void,
    vehicle: np.void,
    state: np.void,
    bends: NDArray[np.float64],
    openings: NDArray[np.float64],
    reference: Reference,
    v: int,
) -> None:
    mass, moment = float(vehicle["mass"]), float(vehicle["inertia"][2, 2])
    drags = float(vehicle["film_drag"]), float(vehicle["film_drag_rotation"])
    weight = -mass * float(world["gravity"]) * np.array(world["tilt"])
    planar = np.column_stack([vehicle["valve_force"][:, :2], vehicle["valve_torque"][:, 2]])

    def slope(t: float, y: NDArray[np.float64], begin: float, at: Any, rate: Any) -> list[float]:
        fx, fy, torque = at + (t - begin) * rate
        cosine, sine = np.cos(y[2]), np.sin(y[2])
        x, y_ = cosine * fx - sine * fy + weight[0], sine * fx + cosine * fy + weight[1]
        return [
            *y[3:6],
            (x - drags[0] * y[3]) / mass,
            (y_ - drags[0] * y[4]) / mass,
            (torque - drags[1] * y[5]) / moment,
            x,
            y_,
            torque,
        ]

    y = np.zeros(9)
    y[:3] = *state["centre"][:2], heading(state["orientation"])
    y[3:6] = *state["velocity"][:2], state["rate"][2]
    for k in range(len(bends) - 1):
        begin, end = bends[k], bends[k + 1]
        at, rate = openings[k] @ planar, (openings[k + 1] - openings[k]) @ planar / (end - begin)
        tick = int((begin + 1e-9) / TICK)
        y[6:] = 0.0
        done = solve_ivp(slope, (begin, end), y, "DOP853", args=(begin, at, rate), rtol=1e-12, atol=1e-14)
        y = done.y[:, -1]
        reference.wrench[tick, v] += y[6:] / TICK
        reference.openings[tick, v] += 0.5 * (openings[k] + openings[k + 1]) * (end - begin) / TICK
    reference.end[v] = y[:3]
