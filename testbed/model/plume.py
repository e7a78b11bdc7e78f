"""Plumes: what a jet does to the bodies that it hits.

A jet is a cone of even momentum from the nozzle on, thinning out to nothing at its reach. A body that covers a share
of its cross-section takes that share of the thrust as a push along the jet. The vehicle that fires keeps its thrust,
but of a pair that is joined, or that the jet pushes apart, that share is lost; a jet that hits the own carriage loses
it at once (thruster_parameters.py). Any text on plume impingement has finer models of the jet; this one is exact where
the whole cone is caught and where all of it passes by.

What was fired over a period pushes evenly over the next one: it lags by 0.1 s on average, the impulse is exact.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import NS_PER_S
from testbed.description.rotation import Tuple3, cross, rotate, rotate_inverse

PLUME_NS: Final = 100_000_000
"""Period at which plumes follow what was fired: where vehicles are changes by millimetres meanwhile."""

_PER_PERIOD: Final = NS_PER_S / PLUME_NS


@njit(cache=True)
def spread_plumes(vehicles: Any, states: Any) -> None:
    """Turn what the valves gave in the last period into pushes on other vehicles over the next."""
    count = len(states)
    for b in range(count):
        if states[b].plumed:
            states[b].plumed = 0
            states[b].plume_force[:] = 0.0
            states[b].plume_torque[:] = 0.0
    for a in range(count):
        if states[a].fired:
            states[a].fired = 0
            states[a].jet_left[:] = 1.0
            done = -1.0
            while True:  # from the nearest to the farthest: who is behind another gets what that one leaves
                b, done = next_within_reach(vehicles, states, a, done)
                if b < 0:
                    break
                push_partner(vehicles[a], states[a], vehicles[b], states[b])
            for v in range(vehicles[a].valve_count):
                states[a].impulse_before[v] = states[a].valve_impulse[v]


@njit(cache=True)
def next_within_reach(vehicles: Any, states: Any, index: int, done: float) -> tuple[int, float]:
    """The nearest vehicle beyond `done` m that a jet of this one could hit at all, and how far it is; -1 if none is."""
    if vehicles[index].plume_reach == 0.0:
        return -1, done
    found, nearest = -1, np.inf
    p = states[index].position
    for b in range(len(states)):
        q = states[b].position
        x, y, z = p[0] - q[0], p[1] - q[1], p[2] - q[2]
        distance = math.sqrt(x * x + y * y + z * z)
        reach = vehicles[index].plume_reach + vehicles[index].nozzle_radius + vehicles[b].body_radius
        if b != index and done < distance < min(reach, nearest):
            found, nearest = b, distance
    return found, nearest


@njit(cache=True)
def push_partner(vehicle: Any, state: Any, partner: Any, other: Any) -> None:
    """Add to the push on another vehicle what each jet of the last period gives it."""
    p, q = state.position, other.position
    away = rotate_inverse(state.orientation, (q[0] - p[0], q[1] - p[1], q[2] - p[2]))
    for v in range(vehicle.valve_count):
        impulse = state.valve_impulse[v] - state.impulse_before[v]
        if impulse > 0.0:
            n, u = vehicle.nozzle_position[v], vehicle.jet_direction[v]
            x, y, z = away[0] - n[0], away[1] - n[1], away[2] - n[2]
            along = x * u[0] + y * u[1] + z * u[2]
            aside = (x - along * u[0], y - along * u[1], z - along * u[2])
            offset = math.sqrt(aside[0] * aside[0] + aside[1] * aside[1] + aside[2] * aside[2])
            share = caught(vehicle.plume_slope, vehicle.plume_reach, along, offset, partner.body_radius)
            share *= state.jet_left[v]
            if share > 0.0:
                state.jet_left[v] -= share
                size = share * impulse * _PER_PERIOD
                add_push(
                    state, partner, other, (size * u[0], size * u[1], size * u[2]), aside, along * vehicle.plume_slope
                )


@njit(cache=True)
def add_push(state: Any, partner: Any, other: Any, force: Tuple3, aside: Tuple3, jet_radius: float) -> None:
    """Add a push (axes of who fires) in the middle of what the jet and the body share, between the axes of both."""
    square = partner.body_radius * partner.body_radius
    nearer = -square / (square + jet_radius * jet_radius)
    point = rotate(state.orientation, (nearer * aside[0], nearer * aside[1], nearer * aside[2]))
    arm = rotate_inverse(other.orientation, point)
    push = rotate_inverse(other.orientation, rotate(state.orientation, force))
    c = partner.centre_of_mass
    torque = cross((arm[0] - c[0], arm[1] - c[1], arm[2] - c[2]), push)
    other.plumed = 1
    for i in range(3):
        other.plume_force[i] += push[i]
        other.plume_torque[i] += torque[i]


@njit(cache=True)
def caught(slope: float, reach: float, along: float, offset: float, radius: float) -> float:
    """Share of a jet's momentum that a disc across it takes, `along` m from the nozzle and `offset` m beside its axis.

    slope: tangent of the cone's half-angle; reach: where the jet has thinned out to nothing, m.
    """
    if along <= 0.0 or along >= reach:
        return 0.0
    jet = max(along * slope, 1e-9)  # at the nozzle a point
    left = 1.0 - (along / reach) ** 2
    return left * min(1.0, overlap(jet, radius, offset) / (math.pi * jet * jet))


@njit(cache=True)
def overlap(first: float, second: float, distance: float) -> float:
    """Area that two circles of these radii share, m² (any text on plane geometry)."""
    if distance >= first + second:
        return 0.0
    smaller = min(first, second)
    if distance <= abs(first - second):
        return math.pi * smaller * smaller
    a = (distance * distance + first * first - second * second) / (2.0 * distance)
    b = distance - a
    lens = first * first * math.acos(min(max(a / first, -1.0), 1.0))
    lens += second * second * math.acos(min(max(b / second, -1.0), 1.0))
    return lens - distance * math.sqrt(max(first * first - a * a, 0.0))
