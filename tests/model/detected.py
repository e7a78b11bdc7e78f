"""Looks at a marker, drawn by seed, and what OpenCV's detector finds in the rendered picture; for `model.corners`."""

from typing import NamedTuple

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.camera import MARKERS, Camera, Fiducial
from testbed.description.vehicle import Vehicle
from testbed.model import camera as rendering
from testbed.model.corner_errors import NORMALS
from testbed.model.corners import Corners
from tests.model.gaze import FACING, STILL, a_camera, a_fiducial, a_partner, before, together

NAMES = tuple(MARKERS)
NUMBER = 7
LARGEST_LEAN = 75.0
ENLARGED = 3
"""The detector finds small markers in enlarged pictures, as its own documentation advises for low resolution."""


class Look(NamedTuple):
    """A partner with one marker before a still observer's camera, and the picture's seed."""

    camera: Camera
    fiducial: Fiducial
    partner: Vehicle
    there: np.ndarray
    seed: int


def drawn_look(seed) -> Look:
    """Lens, blur, noise, kind of marker, distance, lean, place in the picture and motion, all drawn."""
    generator = np.random.default_rng(seed)
    strength = generator.uniform(0.0, 1.0)
    camera = a_camera(
        position=(0.13, 0.03, -0.07),
        look=(1.0, generator.uniform(-0.1, 0.1), generator.uniform(-0.1, 0.1)),
        up=(0.1, generator.uniform(-0.3, 0.3), 1.0),
        principal_point=(159.5 + generator.normal(0.0, 2.0), 119.5 + generator.normal(0.0, 2.0)),
        distortion=(-0.28 * strength, 0.09 * strength, *generator.normal(0.0, 0.0005, 2), 0.0),
        defocus_px=generator.uniform(0.2, 1.2),
        noise=generator.uniform(0.5, 5.0),
        dark_level=8.0,
        exposure_time=generator.uniform(0.0, 0.01),
        exposure_delay=generator.uniform(0.0, 0.01),
    )
    fiducial = a_fiducial(NUMBER, dictionary=NAMES[generator.integers(len(NAMES))], side=generator.uniform(0.05, 0.12))
    depth = fiducial.side * np.exp(generator.uniform(np.log(3.5), np.log(35.0)))
    centre = depth * np.array([generator.uniform(-0.40, 0.40), generator.uniform(-0.28, 0.28), 1.0])
    axis, lean = generator.uniform(0.0, 2.0 * np.pi), np.radians(generator.uniform(0.0, LARGEST_LEAN))
    leaning = Rotation.from_rotvec(lean * np.array([0.0, np.cos(axis), np.sin(axis)]))
    level = Rotation.from_matrix(camera.orientation() @ a_camera().orientation().T) * FACING
    turned = level * leaning * Rotation.from_euler("x", generator.uniform(-180.0, 180.0), True)
    moving = {"velocity": generator.normal(0.0, 0.1 * depth, 3), "rate": generator.normal(0.0, 0.15, 3)}
    there = together(before(camera, fiducial, centre, turned, **moving))
    return Look(camera, fiducial, a_partner(fiducial), there, seed)


def picture(look: Look):
    """The rendered picture."""
    generator = np.random.default_rng((look.seed, 1))
    return rendering.Camera(look.camera, [look.partner]).render(STILL, look.there, generator)


def detect(image, dictionary):
    """Corners (4, 2) of marker NUMBER in a picture, pixels; None if it is not found. Edges are fitted with lines."""
    found = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, dictionary)))
    parameters = found.getDetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
    found.setDetectorParameters(parameters)
    large = cv2.resize(image, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
    corners, ids, _ = found.detectMarkers(large)
    if ids is None or NUMBER not in ids:
        return None
    # its fit of lines counts from the edge of a pixel, all else from the centre
    return corners[ids.ravel().tolist().index(NUMBER)][0].astype(float) / ENLARGED - 0.5


class Found(NamedTuple):
    """Visible markers, shape (n,): smallest width of a cell px, chance to be found by `model.corners`, whether
    OpenCV's detector found it; where corners are (n, 4, 2) px, and the errors of those detected, NaN where it did not,
    and of those projected."""

    cell: np.ndarray
    chance: np.ndarray
    found: np.ndarray
    exact: np.ndarray
    detected: np.ndarray
    projected: np.ndarray

    def between(self, low, high) -> "Found":
        """Those whose cells are so wide."""
        chosen = (self.cell >= low) & (self.cell < high)
        return Found(*(column[chosen] for column in self))

    def inwards(self, errors):
        """By how much each marker found looks too small: mean of its corners' errors towards its middle, px."""
        towards = self.exact.mean(axis=1, keepdims=True) - self.exact
        towards /= np.linalg.norm(towards, axis=2, keepdims=True)
        return (errors * towards).sum(axis=2).mean(axis=1)[self.found]

    def sizes(self, errors):
        """Size of each corner's error, px, of markers found."""
        return np.linalg.norm(errors[self.found], axis=2).ravel()


def compared(seeds) -> Found:
    """Looks of these seeds, rendered and detected, and projected."""
    rows = []
    for seed in seeds:
        look = drawn_look(seed)
        seen = projected(look)
        if seen["visible"]:
            corners, exact = detect(picture(look), look.fiducial.dictionary), seen["exact"].copy()
            detected = np.full((4, 2), np.nan) if corners is None else corners - exact
            row = seen["edges"]["cell"], seen["chance"], corners is not None, exact, detected, seen["reported"] - exact
            rows.append(row)
    return Found(*(np.array(column) for column in zip(*rows, strict=True)))


def projected(look: Look):
    """The SIGHTING of a look, its corners reported in any case, with errors of the look's own seed."""
    observer = np.zeros(1, look.there.dtype)
    observer[0] = STILL
    normals = np.random.default_rng((look.seed, 2)).standard_normal((1, NORMALS))
    return Corners(look.camera, [look.partner]).look(observer, look.there, normals, np.array([-1.0]))[0]
