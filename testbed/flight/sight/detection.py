"""Fiducials of one partner in a picture, by OpenCV's detector of square markers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.camera import Fiducial
from testbed.flight.sight.look import look_at

try:
    import cv2
except ImportError as error:
    raise ImportError("cameras need OpenCV, which the extra `vision` brings: pip install 'testbed[vision]'") from error

cv2.setNumThreads(1)

ENLARGED: Final = 3
"""The detector finds small markers in enlarged pictures, as its own documentation advises for low resolution."""


class Detector:
    """Finds the fiducials of one partner's file; edges are fitted with straight lines, as edges.py believes."""

    def __init__(self, fiducials: Sequence[Fiducial]) -> None:
        self._index: dict[str, dict[int, int]] = defaultdict(dict)
        for index, fiducial in enumerate(fiducials):
            self._index[fiducial.dictionary][fiducial.id] = index
        self._detectors = {}
        for name in self._index:
            detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, name)))
            settings = detector.getDetectorParameters()
            settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_APRILTAG
            detector.setDetectorParameters(settings)
            self._detectors[name] = detector

    def look(self, stamp: int, picture: NDArray[np.uint8]) -> NDArray[np.void]:
        """LOOK, shape (1,), at a grey picture (height, width). An id seen twice counts for nothing: one is wrong."""
        large = cv2.resize(picture, None, fx=ENLARGED, fy=ENLARGED, interpolation=cv2.INTER_CUBIC)
        found: dict[int, list[NDArray[np.float64]]] = defaultdict(list)
        for name, detector in self._detectors.items():
            corners, ids, _ = detector.detectMarkers(large)
            for square, number in zip(corners, () if ids is None else ids.ravel(), strict=True):
                if int(number) in self._index[name]:
                    # its fit of lines counts from the edge of a pixel, all else from the centre
                    found[self._index[name][int(number)]].append(square[0].astype(float) / ENLARGED - 0.5)
        return look_at(stamp, {index: squares[0] for index, squares in found.items() if len(squares) == 1})
