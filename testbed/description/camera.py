"""A vehicle's camera, and the fiducials by which others' cameras know it.

A camera has a frame of its own, the optical frame: x right, y down, z forward (REP 103). A pixel with the coordinates
(u, v) has its centre there, so the first pixel reaches from -0.5 to 0.5.
"""

from __future__ import annotations

from typing import Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from testbed.description.lens import Distortion, distort, reach, undistort
from testbed.description.model import Description, Inconsistent, Vector

Dictionary = Literal["DICT_4X4_50", "DICT_5X5_50", "DICT_6X6_50", "DICT_APRILTAG_36h11"]
"""Families of square markers, as OpenCV names them."""
MARKERS: Final[dict[Dictionary, tuple[int, int]]] = {
    "DICT_4X4_50": (50, 4),
    "DICT_5X5_50": (50, 5),
    "DICT_6X6_50": (50, 6),
    "DICT_APRILTAG_36h11": (587, 6),
}
"""How many markers each has, and how many cells a marker has across inside its black border, which is one cell wide."""

_LARGEST_STRETCH: Final = 2.0
_BORDER_POINTS: Final = 33


class Camera(Description):
    """A pinhole with a distorting lens and a global shutter; grey pictures of 8 bits at 10 Hz."""

    position: Vector = Field(description="Centre of the lens in base_link, m")
    look: Vector = Field(default=(1.0, 0.0, 0.0), description="Direction it looks in, base_link (of any length)")
    up: Vector = Field(default=(0.0, 0.0, 1.0), description="Direction that is up in its pictures, base_link")
    width: int = Field(default=320, ge=32, le=1280, description="Columns of a picture")
    height: int = Field(default=240, ge=32, le=1024, description="Rows of a picture")
    focal_length_px: float = Field(default=320.0, gt=0.0, le=20e3, description="Focal length, pixels")
    principal_point: tuple[float, float] | None = Field(
        default=None,
        description="Where the optical axis meets the picture, pixels (column, row); the middle if left out",
    )
    distortion: Distortion = Field(
        default=(0.0, 0.0, 0.0, 0.0, 0.0), description="k1, k2, p1, p2, k3 as in ROS (plumb_bob) and OpenCV"
    )
    exposure_time: float = Field(default=0.004, ge=0.0, le=0.1, description="How long the shutter is open, s")
    exposure_delay: float = Field(
        default=0.0, ge=0.0, le=0.1, description="How much later than the middle of the exposure the stamp is, s"
    )
    defocus_px: float = Field(default=0.0, ge=0.0, le=8.0, description="Standard deviation of the lens's blur, pixels")
    noise: float = Field(default=0.0, ge=0.0, le=64.0, description="Standard deviation of a pixel's noise, grey levels")
    dark_level: float = Field(default=8.0, ge=0.0, le=64.0, description="What a pixel says in the dark, grey levels")

    @model_validator(mode="after")
    def _axes_are_axes(self) -> Self:
        _check_axes("look", self.look, self.up)
        return self

    @model_validator(mode="after")
    def _lens_can_be_undone(self) -> Self:
        column, row = self.centre
        if not (0.0 <= column <= self.width - 1 and 0.0 <= row <= self.height - 1):
            raise Inconsistent(f"inside the picture of {self.width} x {self.height} pixels", "principal_point")
        border = self.normalised(_border(self.width, self.height))
        found = undistort(border, self.distortion)
        if not np.isfinite(found).all() or np.any(_lengths(found) > _LARGEST_STRETCH * _lengths(border)):
            allowed = "what can be undone all over the picture, with no point moved more than half its way inwards"
            raise Inconsistent(allowed, "distortion")
        return self

    @property
    def centre(self) -> tuple[float, float]:
        """The principal point, pixels (column, row)."""
        return self.principal_point or ((self.width - 1) / 2.0, (self.height - 1) / 2.0)

    def matrix(self) -> NDArray[np.float64]:
        """Camera matrix, shape (3, 3), pixels: what ROS and OpenCV call K."""
        column, row = self.centre
        return np.array([[self.focal_length_px, 0.0, column], [0.0, self.focal_length_px, row], [0.0, 0.0, 1.0]])

    def orientation(self) -> NDArray[np.float64]:
        """Rotation matrix, shape (3, 3): components along the optical frame to components along base_link."""
        forward, right, down = _axes(self.look, self.up)
        return np.column_stack([right, down, forward])

    def normalised(self, pixels: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels to normalised points, distortion left in; shape (n, 2)."""
        return np.asarray((pixels - np.array(self.centre)) / self.focal_length_px)

    def project(self, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Pixels (n, 2) of points (n, 3) m in the optical frame; NaN behind the lens or beyond the formula's reach."""
        with np.errstate(all="ignore"):
            ideal = points[:, :2] / points[:, 2:]
            seen = (points[:, 2] > 0.0) & (_lengths(ideal) < reach(self.distortion))
            pixels = self.focal_length_px * distort(ideal, self.distortion) + np.array(self.centre)
        pixels[~seen] = np.nan
        return pixels

    def inside(self, pixels: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Which points (n, 2) lie in the picture; NaN does not."""
        upper = np.array([self.width, self.height]) - 0.5
        return np.asarray(((pixels >= -0.5) & (pixels <= upper)).all(axis=1))


class Fiducial(Description):
    """A square marker on a vehicle's outside, with a white margin of one cell around its black border."""

    id: int = Field(ge=0, description="Which marker of the dictionary")
    dictionary: Dictionary = Field(default="DICT_4X4_50", description="Family of markers, as OpenCV names it")
    position: Vector = Field(description="Centre in base_link, m")
    normal: Vector = Field(description="Direction it faces, base_link (of any length)")
    up: Vector = Field(default=(0.0, 0.0, 1.0), description="Direction of its upper edge, base_link")
    side: float = Field(gt=0.0, le=1.0, description="Side of its black square, m")

    @model_validator(mode="after")
    def _axes_are_axes(self) -> Self:
        _check_axes("normal", self.normal, self.up)
        return self

    @model_validator(mode="after")
    def _dictionary_has_it(self) -> Self:
        count, _ = MARKERS[self.dictionary]
        if self.id >= count:
            raise Inconsistent(f"0 to {count - 1}, the markers of {self.dictionary}", "id")
        return self

    def towards(self) -> NDArray[np.float64]:
        """The normal at unit length, base_link, shape (3,)."""
        return np.asarray(np.array(self.normal) / np.linalg.norm(self.normal))

    def corners(self) -> NDArray[np.float64]:
        """Corners of the black square in base_link, shape (4, 3), m.

        Upper left, upper right, lower right, lower left, as seen from in front: the order of OpenCV's detector.
        """
        return self._square(self.side)

    def plate(self) -> NDArray[np.float64]:
        """Corners of the white margin, as `corners`."""
        _, inside = MARKERS[self.dictionary]
        return self._square(self.side * (inside + 4) / (inside + 2))

    def _square(self, side: float) -> NDArray[np.float64]:
        _, left, down = _axes(self.normal, self.up)
        signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        return np.asarray(self.position + 0.5 * side * (signs[:, :1] * -left + signs[:, 1:] * down))


def _axes(forward: Vector, up: Vector) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Unit vectors forward, to the right of it and down, where `up` says only roughly what is up."""
    ahead = np.array(forward) / np.linalg.norm(forward)
    right = np.cross(ahead, up)
    right /= np.linalg.norm(right)
    return ahead, right, np.cross(ahead, right)


def _check_axes(name: str, forward: Vector, up: Vector) -> None:
    for key, vector in ((name, forward), ("up", up)):
        if np.linalg.norm(vector) < 1e-9:
            raise Inconsistent("a vector that is not zero", key)
    if np.linalg.norm(np.cross(forward, up)) < 1e-3 * np.linalg.norm(forward) * np.linalg.norm(up):
        raise Inconsistent(f"a direction that is not that of up, {list(up)}, nor opposite to it", name)


def _border(width: int, height: int) -> NDArray[np.float64]:
    """Points along a line half a pixel outside the picture, pixels, shape (n, 2)."""
    columns, rows = (np.linspace(-1.0, size, _BORDER_POINTS) for size in (width, height))
    ends = [(columns, np.full_like(columns, row)) for row in (-1.0, height)]
    sides = [(np.full_like(rows, column), rows) for column in (-1.0, width)]
    return np.concatenate([np.column_stack(line) for line in (*ends, *sides)])


def _lengths(vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.hypot(vectors[:, 0], vectors[:, 1]))
