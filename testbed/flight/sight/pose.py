"""The partner's pose from one look alone, by OpenCV: where the filter may start. Cold: only while nothing is tracked.

A single square leaves two poses that show it nearly alike (Collins & Bartoli, "Infinitesimal plane-based pose
estimation", International Journal of Computer Vision 109 (2014)); several squares on different sides leave one.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

try:
    import cv2
except ImportError as error:
    raise ImportError("cameras need OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'") from error

Array = NDArray[np.float64]


class Pose(NamedTuple):
    """Of the partner's centre of mass and axes in own base_link: position (3,) m, quaternion (4,)."""

    position: Array
    orientation: Array


def poses_seen(p: np.void, look: np.void) -> Iterator[Pose]:
    """Poses that a look (LOOK) may mean: two of each marker, and with several markers that of all corners together."""
    intrinsics = np.array(
        [[p["focal_length"], 0.0, p["centre"][0]], [0.0, p["focal_length"], p["centre"][1]], [0.0, 0.0, 1.0]]
    )
    points = p["corner"][look["marker"][: look["count"]]]
    corners = look["corners"][: look["count"]]
    if len(points) > 1:
        yield from _solve(p, points.reshape(-1, 3), corners.reshape(-1, 2), intrinsics, cv2.SOLVEPNP_SQPNP)
    for square, found in zip(points, corners, strict=True):
        yield from _solve(p, square, found, intrinsics, cv2.SOLVEPNP_IPPE)


def _solve(p: np.void, points: Array, corners: Array, intrinsics: Array, method: int) -> Iterator[Pose]:
    """Poses by OpenCV, as it has them: points of the partner in the optical frame."""
    count, turns, places, _ = cv2.solvePnPGeneric(
        np.ascontiguousarray(points), np.ascontiguousarray(corners), intrinsics, p["distortion"].copy(), flags=method
    )
    view = Rotation.from_quat(p["axes"])
    for turn, place in zip(turns[:count], places[:count], strict=True):
        if place[2, 0] > 0.0:
            orientation = view * Rotation.from_rotvec(turn.ravel())
            yield Pose(p["lens"] + view.apply(place.ravel()), orientation.as_quat())
