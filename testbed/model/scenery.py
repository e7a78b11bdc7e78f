"""What a camera looks at: bodies of vehicles as prisms with their fiducials, put where the vehicles are.

Rotation matrices, shape (3, 3), take components along base_link to components along the fixed frame.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description.camera import Fiducial
from testbed.description.vehicle import Vehicle

Array = NDArray[np.float64]

# Grey levels of fully lit surfaces, and of what is not lit: a matt grey body, printed paper, a dim hall. Ours.
BODY, WHITE, BLACK, BACKGROUND = 120.0, 215.0, 20.0, 45.0
LIGHT: Final = np.array([0.36, 0.48, 0.8])
"""Unit vector to the brightest part of the ceiling, in the fixed frame; all sides of a prism then differ."""
DIMMEST: Final = 0.6
"""Share of full light on a surface that faces the other way."""


def shade(normal: Array, light: Array) -> float:
    """Share of full light on a matt surface under a wide sky, linear in the cosine to its brightest part."""
    return DIMMEST + (1.0 - DIMMEST) * 0.5 * (1.0 + float(normal @ light))


class Pose(NamedTuple):
    """Origin (3,) m and axes (3, 3) of one frame in another."""

    position: Array
    rotation: Array

    def points(self, points: Array) -> Array:
        """Points (..., 3) of the inner frame in the outer one."""
        return np.asarray(points @ self.rotation.T + self.position)

    def of(self, inner: Pose) -> Pose:
        """Where a frame is in the outer frame that has this pose's inner frame around it."""
        return Pose(self.points(inner.position), self.rotation @ inner.rotation)

    def inverse(self) -> Pose:
        """The outer frame in the inner one."""
        return Pose(-self.rotation.T @ self.position, self.rotation.T)


def pose_at(motion: np.void, seconds: float) -> Pose:
    """Pose of base_link so many seconds after (before: negative) that of a messages.ODOMETRY, its twist unchanged.

    A thruster changes that by less than 0.01 mm in 20 ms; a bump may by a millimetre.
    """
    now = Rotation.from_quat(motion["orientation"])
    velocity = now.apply(motion["linear_velocity"])
    turned = now * Rotation.from_rotvec(np.asarray(motion["angular_velocity"]) * seconds)
    return Pose(motion["position"] + velocity * seconds, turned.as_matrix())


class Marker(NamedTuple):
    """A fiducial, the corners of its black square and of its margin (4, 3) m and its unit normal (3,), in base_link."""

    fiducial: Fiducial
    corners: Array
    plate: Array
    normal: Array


class Body:
    """The prism of a vehicle and the markers on it, in base_link.

    `faces`: corners of each plane face in order, shape (n, 3); `normals` (faces, 3) point outwards, and a point is
    inside where `normals @ point <= depths` for all faces.
    """

    def __init__(self, vehicle: Vehicle) -> None:
        lower, upper = vehicle.shape.prism()
        following = np.roll(np.arange(len(lower)), -1)
        self.faces = [np.array([lower[i], lower[j], upper[j], upper[i]]) for i, j in enumerate(following)]
        self.faces += [lower, upper]
        self.corners = np.concatenate([lower, upper])
        outward = np.array([face[0] + face[1] for face in self.faces[:-2]]) * (1.0, 1.0, 0.0)
        self.normals = np.concatenate(
            [outward / np.linalg.norm(outward, axis=1)[:, None], [[0.0, 0.0, -1.0], [0.0, 0.0, 1.0]]]
        )
        self.depths = np.array([normal @ face[0] for normal, face in zip(self.normals, self.faces, strict=True)])
        self.markers = [Marker(one, one.corners(), one.plate(), one.towards()) for one in vehicle.fiducials]

    def hides(self, eye: Array, points: Array) -> NDArray[np.bool_]:
        """Which points (n, 3) cannot be seen from `eye` (3,) because the prism is in between; all in base_link."""
        # The way from the eye to a point leaves the half-space of each face at a share of its length, or enters it.
        start = self.depths - self.normals @ eye
        along = (points - eye) @ self.normals.T
        with np.errstate(divide="ignore", invalid="ignore"):
            share = start / along
        enters = np.where(along < 0.0, share, -np.inf).max(axis=1)
        leaves = np.where(along > 0.0, share, np.inf).min(axis=1)
        beside = ((along == 0.0) & (start < 0.0)).any(axis=1)
        return np.asarray(~beside & (np.maximum(enters, 0.0) < np.minimum(leaves, 1.0)))
