"""Where points of the partner are in the picture, and how that changes with each error of the state.

A pinhole with a distorting lens as in description/camera.py and lens.py, with the camera's estimated errors in it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit

from testbed.description.rotation import Tuple3, Vector3, cross, from_rotation_vector, rotate, rotate_inverse
from testbed.flight.sight.layout import ATTITUDE, CENTRE, DISTORTION, FOCAL, LENS, MOUNT, POSITION

NEAREST: Final = 0.01
"""What is closer to the lens, m, or behind it is not seen."""


@njit(cache=True)
def from_lens(p: Any, track: Any, lever: Vector3) -> Tuple3:
    """From the lens to a point of the partner, own axes turned by the error of the mounting; m.

    lever: from its centre of mass to the point, own axes.
    """
    way = (
        track.position[0] + lever[0] - p.lens[0] - track.lens[0],
        track.position[1] + lever[1] - p.lens[1] - track.lens[1],
        track.position[2] + lever[2] - p.lens[2] - track.lens[2],
    )
    return rotate_inverse(from_rotation_vector(track.mount), way)


@njit(cache=True)
def project(p: Any, track: Any, point: Vector3) -> tuple[float, float]:
    """Pixel of a point (partner's axes, from its centre of mass); NaN where the lens cannot show it."""
    x, y, z = rotate_inverse(p.axes, from_lens(p, track, rotate(track.orientation, point)))
    if z < NEAREST:
        return np.nan, np.nan
    a, b = x / z, y / z
    if a * a + b * b >= p.reach * p.reach:
        return np.nan, np.nan
    bent_a, bent_b = bend(p, track, a, b)
    f = p.focal_length * (1.0 + track.focal)
    return f * bent_a + p.centre[0] + track.centre[0], f * bent_b + p.centre[1] + track.centre[1]


@njit(cache=True)
def bend(p: Any, track: Any, a: float, b: float) -> tuple[float, float]:
    """Where the lens puts a point of the pinhole picture; as description.lens.distort."""
    square = a * a + b * b
    k1, p1, p2 = p.distortion[0] + track.distortion, p.distortion[2], p.distortion[3]
    radial = 1.0 + square * (k1 + square * (p.distortion[1] + square * p.distortion[4]))
    return (
        a * radial + 2.0 * p1 * a * b + p2 * (square + 2.0 * a * a),
        b * radial + p1 * (square + 2.0 * b * b) + 2.0 * p2 * a * b,
    )


@njit(cache=True)
def gradient(p: Any, track: Any, point: Vector3, rows: Any) -> None:
    """Fill `rows`, shape (2, ERRORS): change of the pixel of `project` with each error of the state."""
    lever = rotate(track.orientation, point)
    way = from_lens(p, track, lever)
    x, y, z = rotate_inverse(p.axes, way)
    a, b = x / z, y / z
    square = a * a + b * b
    k1, p1, p2 = p.distortion[0] + track.distortion, p.distortion[2], p.distortion[3]
    radial = 1.0 + square * (k1 + square * (p.distortion[1] + square * p.distortion[4]))
    slope = 2.0 * (k1 + square * (2.0 * p.distortion[1] + square * 3.0 * p.distortion[4]))
    aa = radial + a * a * slope + 2.0 * p1 * b + 6.0 * p2 * a
    bb = radial + b * b * slope + 6.0 * p1 * b + 2.0 * p2 * a
    ab = a * b * slope + 2.0 * p1 * a + 2.0 * p2 * b
    f = p.focal_length * (1.0 + track.focal)
    bent = bend(p, track, a, b)
    rows[:] = 0.0
    for k in range(2):
        da, db = (aa, ab) if k == 0 else (ab, bb)
        turned = rotate(p.axes, (f * da / z, f * db / z, -f * (a * da + b * db) / z))  # by `way`
        by_way = rotate(from_rotation_vector(track.mount), turned)  # by the place of the point, own axes
        by_turn = cross(lever, by_way)
        by_mount = cross(turned, way)
        for i in range(3):
            rows[k, POSITION + i] = by_way[i]
            rows[k, ATTITUDE + i] = by_turn[i]
            rows[k, LENS + i] = -by_way[i]
            rows[k, MOUNT + i] = by_mount[i]
        rows[k, FOCAL] = p.focal_length * bent[k]
        rows[k, CENTRE + k] = 1.0
        rows[k, DISTORTION] = f * (a if k == 0 else b) * square
