"""The quadratic program behind a plan: control points of all vehicles between fixed ends, and planes to stay beyond.

Each vehicle's path along each axis is a quadratic B-spline with control points c_0 … c_{N-1}, one per interval of h s.
c_0 and c_{N-1} follow from position and velocity at the ends; the others are found. Within interval k the path is the
Bézier curve of knot k, c_k and knot k + 1, so it stays in their hull: a linear bound on these three holds between the
knots as well. Velocity at a knot is (c_k - c_{k-1})/h, acceleration (c_{k+1} - 2 c_k + c_{k-1})/h² (de Boor, A
Practical Guide to Splines). Lengths are in m; the cost is the mean of (acceleration/limit)² over time, summed over
vehicles, plus WEIGHT and AREA_WEIGHT per metre by which a plane or the area is overstepped.
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
"""Cost per metre of overstepping a plane; more than the effort can gain, so that none is overstepped without need."""
AREA_WEIGHT: Final = 3000.0
"""The same of the area; more than the planes about a point can gain: they leave room that is not required."""


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


def differences(intervals: int) -> tuple[Array, Array]:
    """First differences (N - 1, N) of the control points of one path, and second differences (N, N) at the intervals.

    At the ends a second difference lacks what the given velocity adds: see _turning_of_ends.
    """
    first = np.diff(np.eye(intervals), axis=0)
    return first, np.diff(first, axis=0, prepend=0.0, append=0.0)


def filled(points: Array, x: Array) -> Array:
    """Control points (V, N, n) with the free ones from the solution `x` of a program."""
    vehicles, intervals, n = points.shape
    inner = points[:, 1:-1].size
    result = np.array(points)
    result[:, 1:-1] = x[:inner].reshape(vehicles, intervals - 2, n)
    return result


@dataclass(frozen=True)
class Entries:
    """Entries of a sparse matrix with `count` rows: their rows, columns and values, all (E,)."""

    rows: Indices
    columns: Indices
    values: Array
    count: int

    @classmethod
    def of(cls, matrix: Any) -> Entries:
        """Those of a sparse matrix."""
        entries = matrix.tocoo()
        return cls(entries.row, entries.col, entries.data, entries.shape[0])

    @classmethod
    def stacked(cls, *parts: Entries) -> Entries:
        """Those of matrices one below the other."""
        starts = np.cumsum([0, *(part.count for part in parts)])
        return cls(
            np.concatenate([start + part.rows for start, part in zip(starts, parts, strict=False)]),
            np.concatenate([part.columns for part in parts]),
            np.concatenate([part.values for part in parts]),
            int(starts[-1]),
        )

    def less(self, columns: Indices) -> Entries:
        """The same rows, each less the variable of its own column in `columns`, (count,)."""
        return Entries(
            np.concatenate([self.rows, np.arange(self.count)]),
            np.concatenate([self.columns, columns]),
            np.concatenate([self.values, np.full(self.count, -1.0)]),
            self.count,
        )


@dataclass(frozen=True)
class Programs:
    """The programs of one attempt: the effort, the limits of vehicles and the area stay, the planes change.

    `points` (V, N, n): control points, of which only the ends are given. P, q and constant as of Program; staying and
    bounds: limits and area as Ax <= b on the free control points, then one slack for each of them and the area.
    """

    points: Array
    P: Any
    q: Array
    constant: float
    staying: Entries
    bounds: Array

    @classmethod
    def of(cls, task: Task, ends: Ends) -> Programs:
        """Those of a task between these ends."""
        points = np.zeros((task.count, ends.intervals, len(task.axes)))
        points[:, 0], points[:, -1] = ends.first, ends.last
        limits, limit_bounds = _limits(task, ends, points)
        area, area_bounds = _area(task, ends)
        bounds = np.concatenate([limit_bounds, area_bounds])
        return cls(points, *_cost(task, ends, points), Entries.stacked(limits, area), bounds)

    def beyond(self, planes: Planes) -> Program:
        """The program that also keeps beyond these planes, each with a slack of its own."""
        vehicles, intervals, _ = self.points.shape
        inner, first = len(self.q), vehicles * (intervals - 2)
        slacks = first + len(planes.one)
        rows, bounds, plane = plane_rows(planes, self.points)
        overstepped = Entries(np.arange(slacks), inner + np.arange(slacks), np.full(slacks, -1.0), slacks)
        every = Entries.stacked(self.staying, rows.less(inner + first + plane), overstepped)
        shape = every.count, inner + slacks
        return Program(
            sparse.block_diag([self.P, sparse.csc_array((slacks, slacks))], format="csc"),
            np.concatenate([self.q, np.full(first, AREA_WEIGHT), np.full(len(planes.one), WEIGHT)]),
            sparse.csc_array((every.values, (every.rows, every.columns)), shape),
            np.concatenate([self.bounds, bounds, np.zeros(slacks)]),
            self.constant,
            inner,
        )


def _cost(task: Task, ends: Ends, points: Array) -> tuple[Any, Array, float]:
    """Upper triangle of P, q and constant of the effort."""
    free = differences(ends.intervals)[1][:, 1:-1]
    given = _turning_of_ends(ends, points)
    scale = np.array([1.0 / (one.acceleration**2 * ends.interval**4 * ends.intervals) for one in task.limits])
    square = np.kron(np.triu(free.T @ free), np.eye(len(task.axes)))
    return (
        sparse.kron(sparse.diags_array(2.0 * scale), square, format="csc"),
        (2.0 * scale[:, None, None] * (free.T @ given)).ravel(),
        float(np.sum(scale[:, None, None] * given**2)),
    )


def _turning_of_ends(ends: Ends, points: Array) -> Array:
    """What both ends alone add to the second differences, (V, N, n); of `points` (V, N, n) only the ends are given."""
    terms = np.asarray(differences(ends.intervals)[1] @ points)
    terms[:, 0] -= ends.interval * ends.start_velocity
    terms[:, -1] += ends.interval * ends.end_velocity
    return terms


def _limits(task: Task, ends: Ends, points: Array) -> tuple[Entries, Array]:
    """Rows and bounds of acceleration and speed along `directions`, on the free control points."""
    first, second = differences(ends.intervals)
    every, share = directions(len(task.axes)), covering(directions(len(task.axes)))
    h, eye = ends.interval, sparse.eye_array(task.count)
    hardest = np.array([share * one.acceleration * h * h for one in task.limits])[:, None, None]
    # Who starts faster than the limit may take the time that braking takes.
    own = np.array([share * one.speed for one in task.limits])[:, None, None]
    braking = _left_of_start(task, ends, share)[:, :, None] * (ends.start_velocity @ every.T)[:, None]
    acceleration = hardest - _turning_of_ends(ends, points) @ every.T
    speed = h * np.maximum(own, braking) - first @ points @ every.T
    rows = [sparse.kron(eye, np.kron(each[:, 1:-1], every), format="coo") for each in (second, first)]
    return Entries.stacked(*map(Entries.of, rows)), np.concatenate([acceleration.ravel(), speed.ravel()])


def _left_of_start(task: Task, ends: Ends, share: float) -> Array:
    """Share of its velocity at the start that a vehicle has left at each inner knot if it brakes, (V, N - 1)."""
    rate = np.array([EASE * share * one.acceleration for one in task.limits])
    speed = np.maximum(np.linalg.norm(ends.start_velocity, axis=1), 1e-9)
    return np.asarray(np.maximum(1.0 - np.outer(rate / speed, ends.interval * np.arange(1, ends.intervals)), 0.0))


def _area(task: Task, ends: Ends) -> tuple[Entries, Array]:
    """Rows and bounds of the area at each free control point, which may overstep it by a slack of its own.

    A vehicle stays away from an edge at which it neither starts nor ends.
    """
    n, (normals, offsets) = len(task.axes), (task.area.normals, task.area.offsets)
    inner = ends.intervals - 2
    count = task.count * inner
    rows = Entries.of(sparse.kron(sparse.eye_array(count), normals, format="coo"))
    slack = count * n + np.repeat(np.arange(count), len(normals))
    reached = np.maximum(ends.start @ normals.T, ends.end @ normals.T)
    bounds = np.minimum(np.maximum(offsets - task.keeping.edge, reached), offsets)
    return rows.less(slack), np.repeat(bounds, inner, axis=0).ravel()


def plane_rows(planes: Planes, points: Array) -> tuple[Entries, Array, Indices]:
    """-normal·(x_one - x_other) <= -bound at knot k, c_k and knot k + 1, on the free control points; each row's plane.

    Rows that only the given ends of `points` (V, N, n) could change are left out.
    """
    _, intervals, n = points.shape
    k, R = planes.interval, len(planes.one)
    # Control points and weights of knot k, c_k, knot k + 1; the knots at the ends are given.
    terms = [((k - 1, 0.5), (k, 0.5)), ((k, 1.0),), ((k, 0.5), (k + 1, 0.5))]
    inside = [k >= 1, (k >= 1) & (k <= intervals - 2), k <= intervals - 2]
    kept = np.concatenate(inside)
    numbers = (np.cumsum(kept) - 1).reshape(3, R)
    rows, owners, at, values = [], [], [], []
    for term, weighted in enumerate(terms):
        for sign, who in ((-1.0, planes.one), (1.0, planes.other)):
            keep = inside[term] & (who >= 0)
            for point, weight in weighted:
                rows.append(numbers[term][keep])
                owners.append(who[keep])
                at.append(point[keep])
                values.append(sign * weight * planes.normals[keep])
    row, owner, interval, value = (np.concatenate(parts) for parts in (rows, owners, at, values))
    given = (interval == 0) | (interval == intervals - 1)
    bounds = -planes.bounds.T.ravel()[kept]
    np.subtract.at(bounds, row[given], np.sum(value[given] * points[owner[given], interval[given]], axis=1))
    first = (owner * (intervals - 2) + interval - 1)[~given] * n
    entries = Entries(
        np.repeat(row[~given], n), (first[:, None] + np.arange(n)).ravel(), value[~given].ravel(), len(bounds)
    )
    return entries, bounds, np.tile(np.arange(R), 3)[kept]
