"""Rotations as unit quaternions (x, y, z, w), for compiled code on both sides of the topics.

`q` is the orientation of a body: it takes components along body axes to components along fixed axes. Vectors and
quaternions come in as arrays or tuples and go out as tuples of floats, so nothing is allocated; `a[:] = rotate(q, v)`
stores one. Angles and rotation vectors are in radians. Formulas: any text on rigid-body kinematics, e.g. Shuster, "A
survey of attitude representations", J. Astronautical Sciences 41 (1993), here with the product order of Hamilton.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

Tuple3 = tuple[float, float, float]
Tuple4 = tuple[float, float, float, float]
Vector3 = NDArray[np.float64] | Tuple3
Quaternion = NDArray[np.float64] | Tuple4


@njit(cache=True)
def cross(a: Vector3, b: Vector3) -> Tuple3:
    """Vector product a × b."""
    return a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]


@njit(cache=True)
def rotate(q: Quaternion, v: Vector3) -> Tuple3:
    """Components along fixed axes of the vector `v` given along body axes."""
    tx = 2.0 * (q[1] * v[2] - q[2] * v[1])
    ty = 2.0 * (q[2] * v[0] - q[0] * v[2])
    tz = 2.0 * (q[0] * v[1] - q[1] * v[0])
    return (
        v[0] + q[3] * tx + q[1] * tz - q[2] * ty,
        v[1] + q[3] * ty + q[2] * tx - q[0] * tz,
        v[2] + q[3] * tz + q[0] * ty - q[1] * tx,
    )


@njit(cache=True)
def rotate_inverse(q: Quaternion, v: Vector3) -> Tuple3:
    """Components along body axes of the vector `v` given along fixed axes."""
    tx = 2.0 * (q[2] * v[1] - q[1] * v[2])
    ty = 2.0 * (q[0] * v[2] - q[2] * v[0])
    tz = 2.0 * (q[1] * v[0] - q[0] * v[1])
    return (
        v[0] + q[3] * tx - q[1] * tz + q[2] * ty,
        v[1] + q[3] * ty - q[2] * tx + q[0] * tz,
        v[2] + q[3] * tz - q[0] * ty + q[1] * tx,
    )


@njit(cache=True)
def conjugate(q: Quaternion) -> Tuple4:
    """The opposite rotation."""
    return -q[0], -q[1], -q[2], q[3]


@njit(cache=True)
def multiply(a: Quaternion, b: Quaternion) -> Tuple4:
    """The rotation `b` followed by `a`: rotate(multiply(a, b), v) == rotate(a, rotate(b, v))."""
    return (
        a[3] * b[0] + a[0] * b[3] + a[1] * b[2] - a[2] * b[1],
        a[3] * b[1] - a[0] * b[2] + a[1] * b[3] + a[2] * b[0],
        a[3] * b[2] + a[0] * b[1] - a[1] * b[0] + a[2] * b[3],
        a[3] * b[3] - a[0] * b[0] - a[1] * b[1] - a[2] * b[2],
    )


@njit(cache=True)
def normalise(q: Quaternion) -> Tuple4:
    """The quaternion scaled to unit length; its sign is kept."""
    scale = 1.0 / math.sqrt(q[0] * q[0] + q[1] * q[1] + q[2] * q[2] + q[3] * q[3])
    return q[0] * scale, q[1] * scale, q[2] * scale, q[3] * scale


@njit(cache=True)
def from_rotation_vector(v: Vector3) -> Tuple4:
    """The rotation about `v` by its length."""
    angle2 = v[0] * v[0] + v[1] * v[1] + v[2] * v[2]
    if angle2 < 1e-8:  # series of sin(a/2)/a: the next term is below 1e-19
        scale = 0.5 - angle2 / 48.0
        return v[0] * scale, v[1] * scale, v[2] * scale, 1.0 - angle2 / 8.0 + angle2 * angle2 / 384.0
    angle = math.sqrt(angle2)
    scale = math.sin(0.5 * angle) / angle
    return v[0] * scale, v[1] * scale, v[2] * scale, math.cos(0.5 * angle)


@njit(cache=True)
def to_rotation_vector(q: Quaternion) -> Tuple3:
    """The rotation vector of `q`, of length at most pi."""
    sign = -1.0 if q[3] < 0.0 else 1.0
    sine = math.sqrt(q[0] * q[0] + q[1] * q[1] + q[2] * q[2])
    scale = 2.0 * sign if sine < 1e-9 else 2.0 * sign * math.atan2(sine, sign * q[3]) / sine
    return q[0] * scale, q[1] * scale, q[2] * scale


@njit(cache=True)
def integrate(q: Quaternion, v: Vector3) -> Tuple4:
    """The orientation after a turn by the rotation vector `v` (along body axes: rate times time), of unit length."""
    return normalise(multiply(q, from_rotation_vector(v)))


@njit(cache=True)
def rate_of(v: Vector3, slope: Vector3) -> Tuple3:
    """Rate along body axes of the rotation vector `v` that changes by `slope` a second: its right Jacobian times that.

    Bullo and Murray, "Proportional derivative (PD) control on the Euclidean group" (1995), from memory.
    """
    angle2 = v[0] * v[0] + v[1] * v[1] + v[2] * v[2]
    if angle2 < 1e-6:  # series: the next terms are below 1e-14
        first, second = 0.5 - angle2 / 24.0, 1.0 / 6.0 - angle2 / 120.0
    else:
        angle = math.sqrt(angle2)
        first, second = (1.0 - math.cos(angle)) / angle2, (angle - math.sin(angle)) / (angle2 * angle)
    once = cross(v, slope)
    twice = cross(v, once)
    return (
        slope[0] - first * once[0] + second * twice[0],
        slope[1] - first * once[1] + second * twice[1],
        slope[2] - first * once[2] + second * twice[2],
    )


@njit(cache=True)
def slope_of(v: Vector3, rate: Vector3) -> Tuple3:
    """Change per second of the rotation vector `v`, shorter than 2 pi, of a body that turns with `rate` (body axes).

    The inverse of rate_of.
    """
    angle2 = v[0] * v[0] + v[1] * v[1] + v[2] * v[2]
    if angle2 < 1e-6:
        second = 1.0 / 12.0 + angle2 / 720.0
    else:
        half = 0.5 * math.sqrt(angle2)
        second = (1.0 - half * math.cos(half) / math.sin(half)) / angle2
    once = cross(v, rate)
    twice = cross(v, once)
    return (
        rate[0] + 0.5 * once[0] + second * twice[0],
        rate[1] + 0.5 * once[1] + second * twice[1],
        rate[2] + 0.5 * once[2] + second * twice[2],
    )


@njit(cache=True)
def to_matrix(q: Quaternion, matrix: NDArray[np.float64]) -> None:
    """Fill `matrix`, shape (3, 3), with the rotation matrix: matrix @ body components = fixed components."""
    x, y, z, w = q[0], q[1], q[2], q[3]
    matrix[0, 0] = 1.0 - 2.0 * (y * y + z * z)
    matrix[0, 1] = 2.0 * (x * y - w * z)
    matrix[0, 2] = 2.0 * (x * z + w * y)
    matrix[1, 0] = 2.0 * (x * y + w * z)
    matrix[1, 1] = 1.0 - 2.0 * (x * x + z * z)
    matrix[1, 2] = 2.0 * (y * z - w * x)
    matrix[2, 0] = 2.0 * (x * z - w * y)
    matrix[2, 1] = 2.0 * (y * z + w * x)
    matrix[2, 2] = 1.0 - 2.0 * (x * x + y * y)


@njit(cache=True)
def times(matrix: NDArray[np.float64], v: Vector3) -> Tuple3:
    """Product of a matrix, shape (3, 3), and a vector."""
    return (
        matrix[0, 0] * v[0] + matrix[0, 1] * v[1] + matrix[0, 2] * v[2],
        matrix[1, 0] * v[0] + matrix[1, 1] * v[1] + matrix[1, 2] * v[2],
        matrix[2, 0] * v[0] + matrix[2, 1] * v[1] + matrix[2, 2] * v[2],
    )


@njit(cache=True)
def heading(q: Quaternion) -> float:
    """Angle from the fixed x axis to the body's x axis seen from above, about z, in (-pi, pi]."""
    return math.atan2(2.0 * (q[0] * q[1] + q[3] * q[2]), 1.0 - 2.0 * (q[1] * q[1] + q[2] * q[2]))


@njit(cache=True)
def from_heading(angle: float) -> Tuple4:
    """The orientation of a level body with this heading."""
    return 0.0, 0.0, math.sin(0.5 * angle), math.cos(0.5 * angle)
