"""The distortion of a lens: radial and tangential, after Brown ("Decentering distortion of lenses", 1966).

Points are normalised: x right and y down over depth, so that pixels = focal length · point + principal point.
Coefficients in the order that ROS (`plumb_bob`) and OpenCV have them: k1, k2, p1, p2, k3. Its formula:
https://docs.opencv.org/4.x/d9/d0c/group__calib3d.html
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Distortion = tuple[float, float, float, float, float]
Points = NDArray[np.float64]

_STEPS: Final = 20
"""Newton's method ends much earlier, at most after eight steps inside `reach`."""
_SMALLEST_STEP: Final = 1e-14
_LARGEST_ERROR: Final = 1e-9


def distort(points: Points, coefficients: Distortion) -> Points:
    """Where the lens puts points of the ideal pinhole picture; shape (n, 2)."""
    k1, k2, p1, p2, k3 = coefficients
    x, y = points[:, 0], points[:, 1]
    square = x * x + y * y
    radial = 1.0 + square * (k1 + square * (k2 + square * k3))
    return np.column_stack(
        [
            x * radial + 2.0 * p1 * x * y + p2 * (square + 2.0 * x * x),
            y * radial + p1 * (square + 2.0 * y * y) + 2.0 * p2 * x * y,
        ]
    )


def undistort(points: Points, coefficients: Distortion) -> Points:
    """The pinhole picture's points of what the lens put at `points`, shape (n, 2); by Newton's method.

    Where no point inside `reach` is put there the result is NaN.
    """
    found = points.copy()
    with np.errstate(all="ignore"):
        for _ in range(_STEPS):
            error = distort(found, coefficients) - points
            xx, xy, yx, yy = _derivatives(found, coefficients)
            step = np.column_stack([yy * error[:, 0] - xy * error[:, 1], xx * error[:, 1] - yx * error[:, 0]])
            step /= (xx * yy - xy * yx)[:, None]
            found -= step
            if np.abs(step).max(initial=0.0) < _SMALLEST_STEP:
                break
        error = np.abs(distort(found, coefficients) - points).max(axis=1)
        found[~((error < _LARGEST_ERROR) & (np.hypot(found[:, 0], found[:, 1]) < reach(coefficients)))] = np.nan
    return found


def reach(coefficients: Distortion) -> float:
    """Radius of the pinhole picture up to which a farther point is put farther out; beyond it the formula folds back.

    Of the radial part alone; the tangential part of any real lens is far smaller.
    """
    k1, k2, _, _, k3 = coefficients
    roots = np.roots([7.0 * k3, 5.0 * k2, 3.0 * k1, 1.0])  # of the derivative, in the radius squared
    folds = [root.real for root in roots if abs(root.imag) < 1e-12 and root.real > 0.0]
    return math.sqrt(min(folds)) if folds else math.inf


def _derivatives(points: Points, coefficients: Distortion) -> tuple[Points, Points, Points, Points]:
    """Of the distorted x by x and y, and of the distorted y by x and y; shape (n,) each."""
    k1, k2, p1, p2, k3 = coefficients
    x, y = points[:, 0], points[:, 1]
    square = x * x + y * y
    radial = 1.0 + square * (k1 + square * (k2 + square * k3))
    slope = 2.0 * (k1 + square * (2.0 * k2 + square * 3.0 * k3))
    across = x * y * slope + 2.0 * p1 * x + 2.0 * p2 * y
    along_x = radial + x * x * slope + 2.0 * p1 * y + 6.0 * p2 * x
    along_y = radial + y * y * slope + 6.0 * p1 * y + 2.0 * p2 * x
    return along_x, across, across, along_y
