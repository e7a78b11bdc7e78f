"""Where to start the pose fit: closed-form trilateration, with the vehicle taken for a point."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.messages import MAX_BEACONS
from testbed.flight.estimation.cholesky import factorise, solve

REACH: Final = 0.1
"""A receiver that hears a beacon sits about this much nearer to it than the centre, m."""


@njit(cache=True)
def position_starts(p: Any, s: Any, starts: Any) -> int:
    """Fill `starts`, shape (2, 3), with positions that fit the mean distance to each beacon; returns how many.

    Subtracting the mean of |b − x|² = d² over the beacons leaves equations linear in x (as in Foy, "Position-location
    solutions by Taylor-series estimation", IEEE Trans. AES 12 (1976), its start). The second start mirrors the first in
    the plane that fits the beacons best: distances alone cannot tell the sides of a plane apart.
    """
    distance = np.zeros(MAX_BEACONS)
    heard = np.zeros(MAX_BEACONS)
    for k in range(s.window_count):
        distance[s.window_beacon[k]] += s.window_distance[k] + REACH
        heard[s.window_beacon[k]] += 1.0
    count, centre, mean_square = 0, np.zeros(3), 0.0
    for b in range(p.beacon_count):
        if heard[b] > 0.0:
            distance[b] /= heard[b]
            centre += p.beacon[b]
            mean_square += np.sum(p.beacon[b] ** 2) - distance[b] ** 2
            count += 1
    if count < 3:
        return 0
    centre /= count
    mean_square /= count
    scatter, right = np.zeros((3, 3)), np.zeros(3)
    for b in range(p.beacon_count):
        if heard[b] > 0.0:
            arm = p.beacon[b] - centre
            excess = 0.5 * (np.sum(p.beacon[b] ** 2) - distance[b] ** 2 - mean_square)
            for i in range(3):
                right[i] += arm[i] * excess
                for j in range(3):
                    scatter[i, j] += arm[i] * arm[j]
    normal = _thinnest_direction(scatter)
    # Along the normal the beacons say little and noise much: pull gently to their plane there; a held height is known.
    for i in range(3):
        scatter[i, i] += 1e-3 * count
        right[i] += 1e-3 * count * centre[i]
    if p.free[2] == 0.0:
        scatter[2, 2] += 1e3 * count
        right[2] += 1e3 * count * p.held_height
    factor = np.zeros((3, 3))
    factorise(scatter, factor, 0.0)
    solve(factor, right, starts[0])
    _refine_along(p, heard, distance, normal, centre, starts[0])
    height = np.sum((starts[0] - centre) * normal)
    starts[1] = starts[0] - 2.0 * height * normal
    return 2


@njit(cache=True)
def _refine_along(p: Any, heard: Any, distance: Any, normal: Any, centre: Any, start: Any) -> None:
    """Set the height of `start` above the beacons' plane by Pythagoras, where the linear equations leave it weak."""
    height = np.sum((start - centre) * normal)
    square, count = 0.0, 0
    for b in range(p.beacon_count):
        if heard[b] > 0.0:
            away = start - height * normal - p.beacon[b]
            along = np.sum((p.beacon[b] - centre) * normal)
            if abs(along) > 0.1 * distance[b]:
                return  # the beacons are not in a plane: the linear solution stands
            square += distance[b] ** 2 - np.sum(away**2) + np.sum(away * normal) ** 2
            count += 1
    if square > 0.0:
        start += (math.copysign(math.sqrt(square / count), height) - height) * normal


@njit(cache=True)
def _thinnest_direction(scatter: Any) -> Any:
    """Direction in which the points scatter least: inverse iteration on their scatter matrix, shape (3, 3)."""
    shifted, factor = scatter.copy(), np.zeros((3, 3))
    shift = 1e-6 * (scatter[0, 0] + scatter[1, 1] + scatter[2, 2])
    for i in range(3):
        shifted[i, i] += shift
    factorise(shifted, factor, 0.0)
    direction = np.array([0.3, 0.5, 0.8])
    for _ in range(20):
        solve(factor, direction, direction)
        direction /= math.sqrt(np.sum(direction**2))
    return direction
