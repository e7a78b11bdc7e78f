"""Planes that part two vehicles, or a vehicle from a zone, interval by interval, about paths as they are so far.

A plane beyond which a vehicle stays is a convex bound that implies the distance (which is not convex): whatever the
next program finds keeps the distance for certain, and planes laid about its result leave it room to improve (the
convex-concave procedure: Yuille and Rangarajan 2003; Lipp and Boyd 2016, from memory).
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation.program import Ends, Planes
from testbed.flight.formation.task import Task
from testbed.flight.formation.trajectories import Motion
from testbed.flight.formation.zones import Zone

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

REACH: Final = 0.5
"""Planes are laid where a distance is less than what is to be kept and this, m; the final check looks everywhere."""
RECOVERY: Final = 0.02
"""Rate at which a distance that is too small at the start, or at the end, is to become large enough, m/s."""


class Side(IntEnum):
    """On which side two vehicles pass whose paths would meet."""

    NEARER = 0
    """Where they would pass anyway; on the right where they would meet head-on."""
    RIGHT = 1
    LEFT = 2
    MIXED = 3
    """This, and every larger number: another pattern, right for some pairs and left for others."""


def curves(ends: Ends, points: Array) -> Array:
    """Bézier points of every interval: knot k, c_k, knot k + 1; from control points (V, N, n) to (V, N, 3, n)."""
    inner = 0.5 * (points[:, :-1] + points[:, 1:])
    knots = np.concatenate([ends.start[:, None], inner, ends.end[:, None]], axis=1)
    return np.stack([knots[:, :-1], points, knots[:, 1:]], axis=2)


def planes_about(task: Task, ends: Ends, points: Array, side: int) -> Planes:
    """All planes about the paths with control points `points` (V, N, n)."""
    paths = curves(ends, points)
    one, other = np.triu_indices(task.count, 1)
    wanted = distances(task, ends, paths[one] - paths[other], task.keeping.wanted)
    parts = [_parting(paths[one] - paths[other], wanted, one, other, None, side)]
    for body in task.others:
        passing = _bezier(task, ends, body)
        away = paths - passing[None]
        wanted = distances(task, ends, away, task.keeping.wanted)
        everyone = np.arange(task.count)
        parts.append(_parting(away, wanted, everyone, np.full(task.count, -1), passing, side))
    parts += [_beyond(task, ends, paths, zone) for zone in task.zones]
    return Planes(*(np.concatenate([getattr(part, name) for part in parts]) for name in Planes.__dataclass_fields__))


def distances(task: Task, ends: Ends, away: Array, wanted: float) -> Array:
    """Distance to ask for in each interval, (pairs, N): `wanted`, less near an end where less is given."""
    h, N = ends.interval, ends.intervals
    first = np.linalg.norm(away[:, 0, 0], axis=1)[:, None] + RECOVERY * h * np.arange(N)
    last = np.linalg.norm(away[:, -1, 2], axis=1)[:, None] + RECOVERY * h * np.arange(N)[::-1]
    return np.minimum(wanted, np.minimum(first, last))


def _parting(away: Array, wanted: Array, one: Indices, other: Indices, passing: Array | None, side: int) -> Planes:
    """Planes between pairs whose relative Bézier points are `away` (pairs, N, 3, n)."""
    middle = 0.25 * away[:, :, 0] + 0.5 * away[:, :, 1] + 0.25 * away[:, :, 2]
    normals = _turned_aside(middle, wanted, side)
    normals[:, 0], normals[:, -1] = away[:, 0, 0], away[:, -1, 2]
    normals /= np.maximum(np.linalg.norm(normals, axis=2, keepdims=True), 1e-12)
    pair, interval = np.nonzero(np.linalg.norm(middle, axis=2) < wanted + REACH)
    normal = normals[pair, interval]
    bounds = np.repeat(wanted[pair, interval][:, None], 3, axis=1)
    if passing is not None:
        bounds = bounds + np.einsum("rn,rpn->rp", normal, passing[interval])
    return Planes(one[pair], other[pair], interval, normal, bounds)


def _turned_aside(middle: Array, wanted: Array, side: int) -> Array:
    """Relative positions `middle` (pairs, N, n), pushed sideways out of a circle of `wanted` (pairs, N) m where inside.

    Across the relative velocity at the closest approach, always to the same side; so the planes turn past each other
    instead of jumping to the opposite.
    """
    pairs, count, n = middle.shape
    if pairs == 0:
        return middle.copy()
    rows = np.arange(pairs)
    closest = np.argmin(np.linalg.norm(middle, axis=2), axis=1)
    before, after = np.maximum(closest - 1, 0), np.minimum(closest + 1, count - 1)
    along = middle[rows, after] - middle[rows, before]
    speed = np.linalg.norm(along, axis=1, keepdims=True)
    along = np.where(speed > 1e-9, along / np.maximum(speed, 1e-9), np.eye(n)[0])
    right = np.zeros_like(along)
    right[:, 0], right[:, 1] = along[:, 1], -along[:, 0]
    flat = np.linalg.norm(right, axis=1, keepdims=True)
    right = np.where(flat > 1e-6, right / np.maximum(flat, 1e-6), np.eye(n)[0])
    miss = middle[rows, closest] - np.sum(middle[rows, closest] * along, axis=1, keepdims=True) * along
    width = np.linalg.norm(miss, axis=1, keepdims=True)
    sideways = np.where(width > 1e-3, miss / np.maximum(width, 1e-9), right)
    if side != Side.NEARER:
        sideways = right * signs(side, pairs)[:, None]
    ahead = np.sum(middle * along[:, None], axis=2)
    aside = np.sum(middle * sideways[:, None], axis=2)
    inside = np.linalg.norm(middle, axis=2) < wanted
    push = np.sqrt(np.maximum(wanted**2 - ahead**2, 0.0)) - aside
    return middle + np.where(inside, push, 0.0)[:, :, None] * sideways[:, None]


def signs(side: int, pairs: int) -> Array:
    """1 for each pair that passes on the right, -1 on the left."""
    if side in (Side.RIGHT, Side.LEFT):
        return np.full(pairs, 1.0 if side == Side.RIGHT else -1.0)
    # The parity of the digits of multiples: balanced, and unlike from pattern to pattern.
    return np.array([1.0 - 2.0 * ((side * (pair + 1)).bit_count() % 2) for pair in range(pairs)])


def _beyond(task: Task, ends: Ends, paths: Array, zone: Zone) -> Planes:
    """Planes that keep all vehicles out of a zone."""
    V, N, _, n = paths.shape
    middle = 0.25 * paths[:, :, 0] + 0.5 * paths[:, :, 1] + 0.25 * paths[:, :, 2]
    middle[:, 0], middle[:, -1] = ends.start, ends.end
    flat = middle.reshape(-1, n)
    normals, reach = zone.separate(flat)
    depth = (np.sum(normals * flat, axis=1) - reach).reshape(V, N)
    near = np.flatnonzero(depth.ravel() < task.keeping.wanted_clearance + REACH)
    ramp = RECOVERY * ends.interval * np.arange(N)
    wanted = np.minimum(task.keeping.wanted_clearance, np.minimum(depth[:, :1] + ramp, depth[:, -1:] + ramp[::-1]))
    bounds = np.repeat((reach + wanted.ravel())[near][:, None], 3, axis=1)
    return Planes(near // N, np.full(len(near), -1), near % N, normals[near], bounds)


def _bezier(task: Task, ends: Ends, body: Motion) -> Array:
    """Bézier points (N, 3, n) of a body whose motion is known."""
    times: Array = np.asarray(task.time + ends.interval * np.arange(ends.intervals + 1))
    positions, velocities, _ = body.at(times)
    axes = list(task.axes)
    p, v = positions[:, axes], velocities[:, axes]
    return np.stack([p[:-1], p[:-1] + 0.5 * ends.interval * v[:-1], p[1:]], axis=1)
