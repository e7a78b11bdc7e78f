"""The pictures that a vehicle's camera takes of its partners.

Stages, in the order of the light: each moment of the exposure is drawn as an ideal pinhole shows it, on a canvas four
times as fine as the picture; the mean over the moments is the motion blur; the lens moves it to where it distorts; the
lens's blur; each pixel takes the mean over its area; noise and whole grey levels. The shutter is global.

Only this file needs OpenCV, and only a session with a camera imports it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description import camera as description
from testbed.description.camera import Fiducial
from testbed.description.lens import undistort
from testbed.description.vehicle import Vehicle
from testbed.model.fiducials import Sight, faces_camera
from testbed.model.scenery import BACKGROUND, BLACK, BODY, LIGHT, WHITE, Array, Body, Marker, Pose, shade

try:
    import cv2
except ImportError as error:
    raise ImportError("cameras need OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'") from error

cv2.setNumThreads(1)

FINENESS: Final = 4
"""Rows and columns of the canvas for each of the picture; corners in pictures then agree with `Sight` to 0.08 px."""
MOST_MOMENTS: Final = 32
"""An exposure is cut into so many moments that nothing moves farther than a pixel of the canvas in between, or this."""
NEAREST: Final = 0.01
"""What is closer to the lens is cut off, m."""

_SHIFT: Final = 4
"""Corners of polygons are given to OpenCV in 1/16 of a pixel."""
_LARGEST_CELL: Final = 64

Grey = NDArray[np.uint8]


class Camera:
    """One vehicle's camera and the partners before it; what they are is *actual*."""

    def __init__(self, camera: description.Camera, partners: Sequence[Vehicle]) -> None:
        self.camera = camera
        self.sight = Sight(camera, partners)
        self._canvas = _Canvas(camera)

    def render(
        self, observer: np.void, partners: NDArray[np.void], generator: np.random.Generator, dark: bool = False
    ) -> Grey:
        """The picture with the stamp of the motions (messages.ODOMETRY), shape (height, width).

        The middle of its exposure lies `exposure_delay` before the stamp; motions are carried there by their twists.
        generator: for the noise of this picture alone; dark: no light comes in.
        """
        shape = self.camera.height, self.camera.width
        grey = np.zeros(shape, np.float32) if dark else self._exposed(observer, partners)
        if self.camera.noise > 0.0:
            grey += np.float32(self.camera.noise) * generator.standard_normal(shape, np.float32)
        return np.asarray(np.clip(np.rint(grey + np.float32(self.camera.dark_level)), 0, 255), dtype=np.uint8)

    def _exposed(self, observer: np.void, partners: NDArray[np.void]) -> NDArray[np.float32]:
        """The light on each pixel, grey levels."""
        moments = self._moments(observer, partners)
        total = np.zeros(self._canvas.shape, np.float32)
        for moment in moments:
            cv2.accumulate(self._draw(observer, partners, moment), total)
        total *= np.float32(1.0 / len(moments))
        return self._canvas.through_lens(total)

    def _moments(self, observer: np.void, partners: NDArray[np.void]) -> list[float]:
        """Times of the drawings of one exposure, s after the stamp: middles of equal parts of it."""
        middle, length = -self.camera.exposure_delay, self.camera.exposure_time
        ends = [self.sight.poses(observer, partners, middle + side * length) for side in (-0.5, 0.5)]
        farthest = 0.0
        for body, first, last in zip(self.sight.bodies, *ends, strict=True):
            before, after = first.points(body.corners), last.points(body.corners)
            ahead = (before[:, 2] > NEAREST) & (after[:, 2] > NEAREST)
            way = self._canvas.place(before[ahead]) - self._canvas.place(after[ahead])
            farthest = max(farthest, float(np.hypot(way[:, 0], way[:, 1]).max(initial=0.0)))
        count = min(max(math.ceil(farthest), 1), MOST_MOMENTS)
        return [middle + length * ((k + 0.5) / count - 0.5) for k in range(count)]

    def _draw(self, observer: np.void, partners: NDArray[np.void], moment: float) -> Grey:
        """What a pinhole shows at one moment, on the canvas.

        Partners are drawn one after the other, the farthest first: of two bodies of the same size that do not overlap,
        the one with the nearer centre is in front.
        """
        grey = np.full(self._canvas.shape, round(BACKGROUND), np.uint8)
        light = self.sight.view(observer, moment).rotation @ LIGHT
        poses = self.sight.poses(observer, partners, moment)
        for index in sorted(range(len(poses)), key=lambda k: -float(np.linalg.norm(poses[k].position))):
            body, pose = self.sight.bodies[index], poses[index]
            self._draw_body(grey, body, pose, light)
            for marker in body.markers:
                self._draw_marker(grey, marker, pose, light)
        return grey

    def _draw_body(self, grey: Grey, body: Body, pose: Pose, light: Array) -> None:
        eye = pose.inverse().position
        for face, normal, depth in zip(body.faces, body.normals, body.depths, strict=True):
            if normal @ eye > depth:
                corners = _cut_off(pose.points(face))
                if len(corners):
                    level = shade(pose.rotation @ normal, light)
                    _fill(grey, self._canvas.place(corners), round(BODY * level))

    def _draw_marker(self, grey: Grey, marker: Marker, pose: Pose, light: Array) -> None:
        corners = pose.points(marker.plate)
        if corners[:, 2].min() < NEAREST or not faces_camera(corners):
            return
        places = self._canvas.place(corners)
        first = np.maximum(np.floor(places.min(axis=0)).astype(int) - 1, 0)
        end = np.minimum(np.ceil(places.max(axis=0)).astype(int) + 2, np.array(grey.shape[::-1]))
        if (first >= end).any():
            return
        level = shade(pose.rotation @ marker.normal, light)
        _fill(grey, places, round(WHITE * level))
        sides = np.linalg.norm(np.roll(places, -1, axis=0) - places, axis=1)
        texture = _texture(marker.fiducial, float(sides.max()), level)
        edge = len(texture) - 0.5
        texels = np.array([[-0.5, -0.5], [edge, -0.5], [edge, edge], [-0.5, edge]], np.float32)
        to_part = cv2.getPerspectiveTransform(texels, (places - first).astype(np.float32))
        part = grey[first[1] : end[1], first[0] : end[0]]
        cv2.warpPerspective(texture, to_part, part.shape[::-1], dst=part, borderMode=cv2.BORDER_TRANSPARENT)


class _Canvas:
    """The plane of an ideal pinhole's picture, FINENESS times as fine, as far as the distorting lens shows of it."""

    def __init__(self, camera: description.Camera) -> None:
        self._camera = camera
        pixels = _grid(camera)
        ideal = undistort(camera.normalised(pixels.reshape(-1, 2)), camera.distortion)
        ideal_pixels = (ideal * camera.focal_length_px + np.array(camera.centre)).reshape(pixels.shape)
        shown = 0.5 * (ideal_pixels[:-1, :-1] + ideal_pixels[1:, 1:])  # from one edge of the picture to the other
        self._first = np.floor(shown.min(axis=(0, 1)) + 0.5 + 1e-9)
        last = np.ceil(shown.max(axis=(0, 1)) - 0.5 - 1e-9)
        columns, rows = (FINENESS * (last - self._first + 1.0)).astype(int).tolist()
        self.shape = rows, columns
        self._maps = None if not any(camera.distortion) else self._lens(ideal_pixels)

    def place(self, points: Array) -> Array:
        """Where points (n, 3) of the optical frame, ahead of the lens, are on the canvas; shape (n, 2)."""
        ideal_pixels = self._camera.focal_length_px * points[:, :2] / points[:, 2:] + np.array(self._camera.centre)
        return self._from_pixels(ideal_pixels)

    def through_lens(self, canvas: NDArray[np.float32]) -> NDArray[np.float32]:
        """The distorted and blurred picture, shape (height, width)."""
        fine: Any = canvas
        if self._maps is not None:
            fine = cv2.remap(fine, *self._maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        width, height = self._camera.width, self._camera.height
        if self._camera.defocus_px > 0.0:  # on pixels of half the size, on which the samples of the bell are enough
            fine = cv2.resize(fine, (2 * width, 2 * height), interpolation=cv2.INTER_AREA)
            fine = cv2.GaussianBlur(fine, (0, 0), 2.0 * self._camera.defocus_px, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA), np.float32)

    def _from_pixels(self, pixels: Array) -> Array:
        return np.asarray((pixels - self._first + 0.5) * FINENESS - 0.5)

    def _lens(self, ideal_pixels: Array) -> tuple[Any, Any]:
        """For each part of each pixel, where on the canvas it looks; OpenCV's fixed-point maps."""
        places = self._from_pixels(ideal_pixels)
        # A lens is so smooth that straight lines from pixel to pixel are within 1/1000 of one.
        rows, columns = places.shape[:2]
        fine = cv2.resize(places, (columns * FINENESS, rows * FINENESS), interpolation=cv2.INTER_LINEAR)
        fine = fine[FINENESS:-FINENESS, FINENESS:-FINENESS].astype(np.float32)
        return cv2.convertMaps(fine, None, cv2.CV_16SC2)  # type: ignore[call-overload]


def _grid(camera: description.Camera) -> Array:
    """Centres of all pixels and of one more row or column on each side, shape (height + 2, width + 2, 2)."""
    columns, rows = np.arange(-1.0, camera.width + 1.0), np.arange(-1.0, camera.height + 1.0)
    return np.stack(np.meshgrid(columns, rows), axis=-1)


@lru_cache(maxsize=256)
def _cells(fiducial: Fiducial) -> Array:
    """Cells of a marker with its margin: 1 white, 0 black; shape (n, n)."""
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, fiducial.dictionary))
    bits = cv2.aruco.generateImageMarker(dictionary, fiducial.id, dictionary.markerSize + 2)
    return np.pad(np.asarray(bits, np.float64) / 255.0, 1, constant_values=1.0)


def _texture(fiducial: Fiducial, side: float, light: float) -> Grey:
    """A marker with its margin, somewhat finer than on the canvas, where its longest side has `side` pixels."""
    cells = _cells(fiducial)
    fineness = min(2 ** math.ceil(math.log2(max(side / len(cells), 1.0))), _LARGEST_CELL)
    grey = np.rint(light * (BLACK + (WHITE - BLACK) * cells)).astype(np.uint8)
    return np.asarray(grey.repeat(fineness, axis=0).repeat(fineness, axis=1))


def _cut_off(corners: Array) -> Array:
    """The part of a convex polygon (n, 3) that is ahead of the lens (Sutherland and Hodgman, 1974)."""
    kept = []
    for here, following in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        if here[2] >= NEAREST:
            kept.append(here)
        if (here[2] >= NEAREST) != (following[2] >= NEAREST):
            kept.append(here + (NEAREST - here[2]) / (following[2] - here[2]) * (following - here))
    return np.array(kept).reshape(-1, 3)


def _fill(grey: Grey, places: Array, level: int) -> None:
    cv2.fillConvexPoly(grey, np.rint(places * 2**_SHIFT).astype(np.int32), level, shift=_SHIFT)
