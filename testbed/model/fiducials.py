"""Where the fiducials of partners are in a camera's picture, without drawing one.

What a detector would find in the picture but for blur and noise, and without OpenCV; corners.py is compiled, and adds
what a detector errs by.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from testbed.description import camera as description
from testbed.description.camera import Fiducial
from testbed.description.vehicle import Vehicle
from testbed.model.scenery import Array, Body, Pose, pose_at


@dataclass(frozen=True)
class Sighting:
    """A fiducial of partner number `partner` that faces the camera.

    corners: shape (4, 2), pixels, in the order of Fiducial.corners; NaN where the lens cannot show them.
    visible: all of it is in the picture, and no other vehicle is in front of any corner or of its middle.
    """

    partner: int
    fiducial: Fiducial
    corners: NDArray[np.float64]
    visible: bool


class Sight:
    """A camera on its vehicle, and the bodies of the partners that it may see; all *actual*."""

    def __init__(self, camera: description.Camera, partners: Sequence[Vehicle]) -> None:
        self.camera = camera
        self.bodies = [Body(partner) for partner in partners]
        self._on_vehicle = Pose(np.array(camera.position), camera.orientation())

    def view(self, observer: np.void, seconds: float) -> Pose:
        """The fixed frame in the optical frame, so many seconds after the observer's motion (messages.ODOMETRY)."""
        return pose_at(observer, seconds).of(self._on_vehicle).inverse()

    def poses(self, observer: np.void, partners: NDArray[np.void], seconds: float) -> list[Pose]:
        """Each partner in the optical frame, so many seconds after the motions given."""
        view = self.view(observer, seconds)
        return [view.of(pose_at(partner, seconds)) for partner in partners]

    def corners(self, observer: np.void, partners: NDArray[np.void]) -> list[Sighting]:
        """All fiducials that face the camera, in the picture stamped as the motions are: seen in mid-exposure."""
        poses = self.poses(observer, partners, -self.camera.exposure_delay)
        return [sighting for index in range(len(poses)) for sighting in self._of_partner(index, poses)]

    def _of_partner(self, index: int, poses: Sequence[Pose]) -> Iterator[Sighting]:
        for marker in self.bodies[index].markers:
            corners = poses[index].points(marker.corners)
            if not faces_camera(corners):
                continue
            pixels = self.camera.project(corners)
            points = np.vstack([corners, corners.mean(axis=0)])
            visible = bool(self.camera.inside(pixels).all()) and not self._hidden(index, poses, points)
            yield Sighting(index, marker.fiducial, pixels, visible)

    def _hidden(self, owner: int, poses: Sequence[Pose], points: Array) -> bool:
        for index, (body, pose) in enumerate(zip(self.bodies, poses, strict=True)):
            if index != owner:
                to_body = pose.inverse()
                if body.hides(to_body.position, to_body.points(points)).any():
                    return True
        return False


def faces_camera(corners: Array) -> bool:
    """Whether a plane figure is seen from its front; corners (n, 3) in the optical frame, clockwise as seen there."""
    return bool(np.linalg.det(np.array([corners[1], corners[-1], corners[0]])) > 0.0)
