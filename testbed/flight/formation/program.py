"""The quadratic program behind a plan: control points of all vehicles between fixed ends, and planes to stay beyond.

Each vehicle's path along each axis is a quadratic B-spline with control points c_0 … c_{N-1}, one per interval of h s.
c_0 and c_{N-1} follow from position and velocity at the ends; the others are found. Within interval k the path is the
Bézier curve of knot k, c_k and knot k + 1, so it stays in their hull: a linear bound on these three holds between the
knots as well. Velocity at a knot is (c_k - c_{k-1})/h, acceleration (c_{k+1} - 2 c_k + c_{k-1})/h² (de Boor, A
Practical Guide to Splines). Lengths are in m; the cost is the mean of (acceleration/limit)² over time, summed over
vehicles, plus WEIGHT per metre by which a plane or the area is overstepped.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from testbed.flight.formation.task import Task
from testbed.flight.formation.zones import covering

Array = NDArray[np.float64]
Indices = NDArray[np.int64]

WEIGHT: Final = 300.0
"""Cost per metre of overstepping; more than any plane can gain, so that nothing is overstepped without need."""


EASE: Final = 0.8
"""Share of the acceleration with which a vehicle that is too fast at the start must brake at least."""


@dataclass(frozen=True)
class Ends:
    """Both ends of a plan along its n axes: duration s, intervals; positions m and velocities m/s, each (V, n)."""

    duration: float
    intervals: int
    start: Array
    start_velocity: Array
    end: Array
    end_velocity: Array

    @classmethod
    def of(cls, task: Task, duration: float, intervals: int) -> Ends:
        """Ends of a task that takes `duration` s."""
        (start, before), (end, after) = task.departure(), task.arrival(duration)
        axes = list(task.axes)
        return cls(duration, intervals, start[:, axes], before[:, axes], end[:, axes], after[:, axes])

    @property
    def interval(self) -> float:
        """Length of an interval, s."""
        return self.duration / self.intervals

    @property
    def first(self) -> Array:
        """c_0, shape (V, n)."""
        return self.start + 0.5 * self.interval * self.start_velocity

    @property
    def last(self) -> Array:
        """c_{N-1}, shape (V, n)."""
        return self.end - 0.5 * self.interval * self.end_velocity


@dataclass(frozen=True)
class Planes:
    """R planes to stay beyond, each for one interval: normal·(x_one - x_other) >= bound.

    one, other, interval (R,): indices, other is -1 where what is kept away from is in the bound; normals (R, n);
    bounds (R, 3) m at knot k, c_k and knot k + 1.
    """

    one: Indices
    other: Indices
    interval: Indices
    normals: Array
    bounds: Array


@dataclass(frozen=True)
class Program:
    """Minimise ½·x'Px + q'x subject to Ax <= b; x: free control points (V, N - 2, n), then how far each is overstepped.

    P is diagonal by blocks and only its upper triangle is kept; `constant` completes the cost.
    """

    P: Any
    q: Array
    A: Any
    b: Array
    constant: float
    points: int


@lru_cache(maxsize=64)
def directions(n: int) -> Array:
    """Unit vectors along all axes and their diagonals, (8, 2) or (26, 3)."""
    every = np.array([one for one in product((-1.0, 0.0, 1.0), repeat=n) if any(one)])
    return np.asarray(every / np.linalg.norm(every, axis=1)[:, None])


@lru_cache(maxsize=64)
def differences(vehicles: int, intervals: int, n: int) -> tuple[Any, Any]:
    """Second differences of all control points (V, N, n) at the intervals, and first and second along `directions`.

    As sparse matrices; the latter stacked, second differences first, then the first at the inner knots.
    """
    first = sparse.diags_array([-1.0, 1.0], offsets=[0, 1], shape=(intervals - 1, intervals), format="csr")
    ends = sparse.diags_array([1.0, -1.0], offsets=[0, -1], shape=(intervals, intervals - 1), format="csr")
    second = ends @ first
    every, eye, along = directions(n), sparse.eye_array(vehicles), sparse.eye_array(n)
    bounded = [sparse.kron(eye, sparse.kron(rows, every), format="csr") for rows in (second, first)]
    return (
        sparse.kron(eye, sparse.kron(second, along), format="csr"),
        sparse.vstack(bounded, format="csr"),
    )


@lru_cache(maxsize=64)
def free(vehicles: int, intervals: int, n: int) -> tuple[Indices, Indices]:
    """Indices of the free and of the fixed control points among all of them, flattened."""
    grid = np.arange(vehicles * intervals * n).reshape(vehicles, intervals, n)
    return grid[:, 1:-1].ravel(), grid[:, [0, -1]].ravel()


def filled(points: Array, x: Array) -> Array:
    """Control points (V, N, n) with the free ones from the solution `x` of a program."""
    vehicles, intervals, n = points.shape
    inner = points[:, 1:-1].size
    result = np.array(points)
    result[:, 1:-1] = x[:inner].reshape(vehicles, intervals - 2, n)
    return result


def build(task: Task, ends: Ends, planes: Planes) -> Program:
    """The program of one iteration."""
    V, N, n = task.count, ends.intervals, len(task.axes)
    inner, outer = free(V, N, n)
    points = np.zeros((V, N, n))
    points[:, 0], points[:, -1] = ends.first, ends.last
    known = points.ravel()[outer]
    P, q, constant = _cost(task, ends, known)
    hard, hard_bounds = _limits(task, ends, known)
    soft, soft_bounds, owners, owned = _soft(task, ends, planes, known)
    slack = sparse.csr_array((np.full(len(owners), -1.0), (np.arange(len(owners)), owners)), (len(owners), owned))
    A = sparse.block_array([
        [hard, None],
        [soft, slack],
        [None, -sparse.eye_array(owned)],
    ], format="csc")  # fmt: skip
    return Program(
        sparse.block_diag([P, sparse.csc_array((owned, owned))], format="csc"),
        np.concatenate([q, np.full(owned, WEIGHT)]),
        A,
        np.concatenate([hard_bounds, soft_bounds, np.zeros(owned)]),
        constant,
        len(inner),
    )


def _cost(task: Task, ends: Ends, known: Array) -> tuple[Any, Array, float]:
    """Upper triangle of P, q and constant of the effort."""
    V, N, n = task.count, ends.intervals, len(task.axes)
    inner, outer = free(V, N, n)
    second = differences(V, N, n)[0]
    limit = np.repeat([one.acceleration for one in task.limits], N * n)
    scale = 1.0 / (limit * ends.interval**2 * np.sqrt(N))
    matrix = sparse.diags_array(scale) @ second
    offset = scale * _velocity_terms(ends, n) + matrix[:, outer] @ known
    moved = matrix[:, inner].tocsc()
    return (
        sparse.triu(2.0 * (moved.T @ moved), format="csc"),
        np.asarray(2.0 * (moved.T @ offset)),
        float(offset @ offset),
    )


def _velocity_terms(ends: Ends, n: int) -> Array:
    """What the given velocities at the ends add to the second differences, flattened (V, N, n)."""
    terms = np.zeros((len(ends.start), ends.intervals, n))
    terms[:, 0] -= ends.interval * ends.start_velocity
    terms[:, -1] += ends.interval * ends.end_velocity
    return terms.ravel()


def _limits(task: Task, ends: Ends, known: Array) -> tuple[Any, Array]:
    """Rows and bounds of acceleration and speed."""
    V, N, n = task.count, ends.intervals, len(task.axes)
    inner, outer = free(V, N, n)
    bounded = differences(V, N, n)[1]
    every, share = directions(n), covering(directions(n))
    h = ends.interval
    acceleration = np.repeat([share * one.acceleration * h * h for one in task.limits], N * len(every))
    acceleration -= (_velocity_terms(ends, n).reshape(-1, n) @ every.T).ravel()
    # Who starts faster than the limit may take the time that braking takes.
    own = np.array([share * one.speed for one in task.limits])[:, None, None]
    braking = _left_of_start(task, ends, share)[:, :, None] * (ends.start_velocity @ every.T)[:, None]
    speed = h * np.maximum(own, braking).ravel()
    return bounded[:, inner], np.concatenate([acceleration, speed]) - bounded[:, outer] @ known


def _left_of_start(task: Task, ends: Ends, share: float) -> Array:
    """Share of its velocity at the start that a vehicle has left at each inner knot if it brakes, (V, N - 1)."""
    rate = np.array([EASE * share * one.acceleration for one in task.limits])
    speed = np.maximum(np.linalg.norm(ends.start_velocity, axis=1), 1e-9)
    return np.asarray(np.maximum(1.0 - np.outer(rate / speed, ends.interval * np.arange(1, ends.intervals)), 0.0))


def _soft(task: Task, ends: Ends, planes: Planes, known: Array) -> tuple[Any, Array, Indices, int]:
    """Rows and bounds of the area and the planes, the slack that each row may use, and how many there are."""
    V, N, n = task.count, ends.intervals, len(task.axes)
    inner, outer = free(V, N, n)
    sides = len(task.area.normals)
    area = sparse.kron(sparse.eye_array(V * (N - 2)), task.area.normals, format="csr")
    area_slack = np.repeat(np.arange(V * (N - 2)), sides)
    rows, bounds, plane = plane_rows(planes, V, N, n)
    return (
        sparse.vstack([area, rows[:, inner]], format="csr"),
        np.concatenate([np.tile(task.area.offsets, V * (N - 2)), bounds - rows[:, outer] @ known]),
        np.concatenate([area_slack, V * (N - 2) + plane]),
        V * (N - 2) + len(planes.one),
    )


def plane_rows(planes: Planes, vehicles: int, intervals: int, n: int) -> tuple[Any, Array, Indices]:
    """-normal·(x_one - x_other) <= -bound at knot k, c_k and knot k + 1, on all control points; and each row's plane.

    Rows that only the given ends could change are left out.
    """
    k, R = planes.interval, len(planes.one)
    # Control points and weights of knot k, c_k, knot k + 1; the knots at the ends are given.
    terms = [((k - 1, 0.5), (k, 0.5)), ((k, 1.0),), ((k, 0.5), (k + 1, 0.5))]
    inside = [k >= 1, (k >= 1) & (k <= intervals - 2), k <= intervals - 2]
    rows, columns, values = [], [], []
    numbers = np.arange(3 * R).reshape(3, R)
    for at, weighted in enumerate(terms):
        for sign, who in ((-1.0, planes.one), (1.0, planes.other)):
            keep = inside[at] & (who >= 0)
            for point, weight in weighted:
                columns.append((((who * intervals + point) * n)[keep, None] + np.arange(n)).ravel())
                rows.append(np.repeat(numbers[at][keep], n))
                values.append((sign * weight * planes.normals[keep]).ravel())
    shape = (3 * R, vehicles * intervals * n)
    matrix = sparse.csr_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape)
    kept = np.concatenate(inside)
    return matrix[kept], -planes.bounds.T.ravel()[kept], np.tile(np.arange(R), 3)[kept]
