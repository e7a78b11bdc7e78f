"""Distance between rounded convex shapes: a core, the hull of its corners, widened by a radius.

A disc or sphere is one corner with a radius. As long as cores do not meet, depth and normal of a contact follow from
the distance of the cores, by the method of Gilbert, Johnson & Keerthi (IEEE J. Robotics and Automation 4, 1988), with
the nearest point of each simplex as in Ericson, Real-Time Collision Detection (2004), section 5.1. On the table all
corners and positions have z = 0.

A pose is a row of 7: position of base_link and orientation, fixed axes.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import Tuple3, rotate, rotate_inverse

SIMPLEX: Final = (4, 10)
"""Shape of the scratch of `nearest`; a row: point of the difference, point of the first core, of the second, weight."""
MOST_ROUNDS: Final = 64
SAME: Final = 1e-13
"""Relative gap between the bounds on the squared distance at which it is found."""
MEET: Final = 1e-9
"""Cores nearer than this have no normal of their own, m."""

Nearest = tuple[float, Tuple3, Tuple3]

_POINT, _FIRST, _SECOND, _WEIGHT = 0, 3, 6, 9


@njit(cache=True)
def corner_count(vehicle: Any, feature: int) -> int:
    """Corners of a feature's core: those of the hull, or the middle of a port's tip."""
    return vehicle.hull_count if feature == 0 else 1


@njit(cache=True)
def corner(vehicle: Any, feature: int, k: int, pose: NDArray[np.float64]) -> Tuple3:
    """A corner of a feature's core, fixed axes."""
    c = rotate(pose[3:7], vehicle.hull_corner[k] if feature == 0 else vehicle.feature_centre[feature])
    return pose[0] + c[0], pose[1] + c[1], pose[2] + c[2]


@njit(cache=True)
def farthest(vehicle: Any, feature: int, pose: NDArray[np.float64], direction: Tuple3) -> Tuple3:
    """The corner of a feature's core that lies farthest along `direction`, fixed axes."""
    best = 0
    if feature == 0 and vehicle.hull_count > 1:
        d = rotate_inverse(pose[3:7], direction)
        most = -math.inf
        for k in range(vehicle.hull_count):
            c = vehicle.hull_corner[k]
            along = c[0] * d[0] + c[1] * d[1] + c[2] * d[2]
            if along > most:
                most, best = along, k
    return corner(vehicle, feature, best, pose)


@njit(cache=True)
def nearest(
    one: Any,
    feature: int,
    pose: NDArray[np.float64],
    other: Any,
    other_feature: int,
    other_pose: NDArray[np.float64],
    simplex: NDArray[np.float64],
) -> Nearest:
    """Distance of two cores, m, and the point of each that is nearest to the other, fixed axes; 0 where they meet."""
    start = (pose[0] - other_pose[0], pose[1] - other_pose[1], pose[2] - other_pose[2])
    set_row(simplex, 0, one, feature, pose, other, other_feature, other_pose, start)
    if corner_count(one, feature) == 1 and corner_count(other, other_feature) == 1:
        v = simplex[0]
        distance = math.sqrt(v[0] * v[0] + v[1] * v[1] + v[2] * v[2])
        return distance, (v[3], v[4], v[5]), (v[6], v[7], v[8])
    simplex[0, _WEIGHT] = 1.0
    count = 1
    v = (simplex[0, 0], simplex[0, 1], simplex[0, 2])
    square = dot(v, v)
    for _ in range(MOST_ROUNDS):
        if square < MEET * MEET:
            return 0.0, v, v
        set_row(simplex, count, one, feature, pose, other, other_feature, other_pose, v)
        if square - row_dot(simplex, count, v) <= SAME * square:
            break
        count = reduce(simplex, count + 1)
        if count == 4:
            return 0.0, v, v
        v = mean(simplex, count, _POINT)
        shorter = dot(v, v)
        if shorter >= square:  # rounding lets it come no nearer
            break
        square = shorter
    first, second = mean(simplex, count, _FIRST), mean(simplex, count, _SECOND)
    apart = (first[0] - second[0], first[1] - second[1], first[2] - second[2])
    return math.sqrt(dot(apart, apart)), first, second


@njit(cache=True)
def along_normal(
    one: Any,
    feature: int,
    pose: NDArray[np.float64],
    other: Any,
    other_feature: int,
    other_pose: NDArray[np.float64],
    normal: Tuple3,
) -> Nearest:
    """Distance of two cores along a given normal that points to the first, negative where they meet, and the points."""
    first = farthest(one, feature, pose, (-normal[0], -normal[1], -normal[2]))
    second = farthest(other, other_feature, other_pose, normal)
    apart = (first[0] - second[0], first[1] - second[1], first[2] - second[2])
    return dot(apart, normal), first, second


@njit(cache=True)
def set_row(
    simplex: NDArray[np.float64],
    row: int,
    one: Any,
    feature: int,
    pose: NDArray[np.float64],
    other: Any,
    other_feature: int,
    other_pose: NDArray[np.float64],
    v: Tuple3,
) -> None:
    """Set a row to the point of the difference of both cores that lies farthest against `v`."""
    p = farthest(one, feature, pose, (-v[0], -v[1], -v[2]))
    q = farthest(other, other_feature, other_pose, v)
    for i in range(3):
        simplex[row, _POINT + i] = p[i] - q[i]
        simplex[row, _FIRST + i] = p[i]
        simplex[row, _SECOND + i] = q[i]


@njit(cache=True)
def reduce(simplex: NDArray[np.float64], count: int) -> int:
    """Set the weights of the point nearest to the origin, and keep the rows that it needs; returns how many.

    4: the origin is inside.
    """
    if count == 2:
        weights = on_segment(simplex, 0, 1)
        return keep(simplex, count, (weights[0], weights[1], 0.0, 0.0))
    if count == 3:
        w = on_triangle(simplex, 0, 1, 2)
        return keep(simplex, count, (w[0], w[1], w[2], 0.0))
    if holds_origin(simplex):
        return 4
    best, chosen = math.inf, (1.0, 0.0, 0.0, 0.0)
    for left_out in range(4):
        i, j, k = (left_out + 1) % 4, (left_out + 2) % 4, (left_out + 3) % 4
        w = on_triangle(simplex, i, j, k)
        square = 0.0
        for axis in range(3):
            value = w[0] * simplex[i, axis] + w[1] * simplex[j, axis] + w[2] * simplex[k, axis]
            square += value * value
        if square < best:
            best = square
            if left_out == 0:
                chosen = (0.0, w[0], w[1], w[2])
            elif left_out == 1:
                chosen = (w[2], 0.0, w[0], w[1])
            elif left_out == 2:
                chosen = (w[1], w[2], 0.0, w[0])
            else:
                chosen = (w[0], w[1], w[2], 0.0)
    return keep(simplex, count, chosen)


@njit(cache=True)
def keep(simplex: NDArray[np.float64], count: int, weights: tuple[float, float, float, float]) -> int:
    """Keep the rows that have a weight."""
    kept = 0
    for row in range(count):
        if weights[row] > 0.0:
            for i in range(_WEIGHT):
                simplex[kept, i] = simplex[row, i]
            simplex[kept, _WEIGHT] = weights[row]
            kept += 1
    return kept


@njit(cache=True)
def on_segment(simplex: NDArray[np.float64], a: int, b: int) -> tuple[float, float]:
    """Weights of the point of a segment that is nearest to the origin."""
    along = square = 0.0
    for i in range(3):
        step = simplex[b, i] - simplex[a, i]
        along -= simplex[a, i] * step
        square += step * step
    if along <= 0.0 or square == 0.0:
        return 1.0, 0.0
    if along >= square:
        return 0.0, 1.0
    t = along / square
    return 1.0 - t, t


@njit(cache=True)
def on_triangle(simplex: NDArray[np.float64], a: int, b: int, c: int) -> Tuple3:
    """Weights of the point of a triangle that is nearest to the origin."""
    p, q, r = row_point(simplex, a), row_point(simplex, b), row_point(simplex, c)
    side = (q[0] - p[0], q[1] - p[1], q[2] - p[2])
    other = (r[0] - p[0], r[1] - p[1], r[2] - p[2])
    d1, d2 = -dot(side, p), -dot(other, p)
    if d1 <= 0.0 and d2 <= 0.0:
        return 1.0, 0.0, 0.0
    d3, d4 = -dot(side, q), -dot(other, q)
    if d3 >= 0.0 and d4 <= d3:
        return 0.0, 1.0, 0.0
    vc = d1 * d4 - d3 * d2
    if vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0:
        w = on_segment(simplex, a, b)
        return w[0], w[1], 0.0
    d5, d6 = -dot(side, r), -dot(other, r)
    if d6 >= 0.0 and d5 <= d6:
        return 0.0, 0.0, 1.0
    vb = d5 * d2 - d1 * d6
    if vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0:
        w = on_segment(simplex, a, c)
        return w[0], 0.0, w[1]
    va = d3 * d6 - d5 * d4
    if va <= 0.0 and d4 - d3 >= 0.0 and d5 - d6 >= 0.0:
        w = on_segment(simplex, b, c)
        return 0.0, w[0], w[1]
    total = va + vb + vc
    return va / total, vb / total, vc / total


@njit(cache=True)
def holds_origin(simplex: NDArray[np.float64]) -> bool:
    """Whether the origin is inside the tetrahedron of all four rows; one without volume holds nothing."""
    for left_out in range(4):
        i, j, k = (left_out + 1) % 4, (left_out + 2) % 4, (left_out + 3) % 4
        p, q, r = row_point(simplex, i), row_point(simplex, j), row_point(simplex, k)
        s = row_point(simplex, left_out)
        a = (q[0] - p[0], q[1] - p[1], q[2] - p[2])
        b = (r[0] - p[0], r[1] - p[1], r[2] - p[2])
        n = (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])
        corner_side = dot(n, (s[0] - p[0], s[1] - p[1], s[2] - p[2]))
        if corner_side == 0.0 or -dot(n, p) * corner_side < 0.0:
            return False
    return True


@njit(cache=True)
def row_point(simplex: NDArray[np.float64], row: int) -> Tuple3:
    """The point of the difference in a row."""
    return simplex[row, 0], simplex[row, 1], simplex[row, 2]


@njit(cache=True)
def row_dot(simplex: NDArray[np.float64], row: int, v: Tuple3) -> float:
    """Scalar product of a row's point and `v`."""
    return simplex[row, 0] * v[0] + simplex[row, 1] * v[1] + simplex[row, 2] * v[2]


@njit(cache=True)
def mean(simplex: NDArray[np.float64], count: int, column: int) -> Tuple3:
    """Weighted mean of the points that begin in a column."""
    x = y = z = 0.0
    for row in range(count):
        weight = simplex[row, _WEIGHT]
        x += weight * simplex[row, column]
        y += weight * simplex[row, column + 1]
        z += weight * simplex[row, column + 2]
    return x, y, z


@njit(cache=True)
def dot(a: Tuple3, b: Tuple3) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
