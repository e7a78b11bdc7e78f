"""Distances and angles over arrays of samples."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Stamps = NDArray[np.int64]


def distances(a: Floats, b: Floats, dimensions: int) -> Floats:
    """Distance of each position from the other, m; shapes (n, 3) and (n, 3) or (3,), the first `dimensions` count."""
    return np.asarray(np.sqrt((((a - b)[:, :dimensions]) ** 2).sum(axis=1)))


def angles_deg(a: Floats, b: Floats) -> Floats:
    """Angle of the rotation between unit quaternions, degrees; shapes (n, 4) and (n, 4) or (4,).

    From chord lengths, as the arc cosine of the scalar product loses small angles.
    """
    b = np.where((a * b).sum(axis=1, keepdims=True) < 0.0, -b, b)
    return np.asarray(np.degrees(4.0 * np.arctan2(np.linalg.norm(a - b, axis=1), np.linalg.norm(a + b, axis=1))))


def positions_at(stamps: Stamps, samples: NDArray[np.void]) -> Floats:
    """Positions at other stamps, linear between samples, shape (n, 3)."""
    if not len(stamps) or (len(stamps) == len(samples) and np.array_equal(stamps, samples["stamp"])):
        return np.asarray(samples["position"][: len(stamps)])
    origin = stamps[0]  # ns since the epoch do not fit a double; differences do
    at, since = (stamps - origin).astype(np.float64), (samples["stamp"] - origin).astype(np.float64)
    return np.column_stack([np.interp(at, since, samples["position"][:, axis]) for axis in range(3)])


def orientations_at(stamps: Stamps, samples: NDArray[np.void]) -> Floats:
    """Orientations at other stamps, each that of the nearest sample, shape (n, 4)."""
    after = np.clip(np.searchsorted(samples["stamp"], stamps), 0, max(0, len(samples) - 1))
    before = np.maximum(after - 1, 0)
    nearer = stamps - samples["stamp"][before] <= samples["stamp"][after] - stamps
    return np.asarray(samples["orientation"][np.where(nearer, before, after)])


def separations(a: NDArray[np.void], b: NDArray[np.void], dimensions: int) -> tuple[Stamps, Floats]:
    """Distance m between two vehicles at the stamps of the first that lie within those of the second."""
    if not (len(a) and len(b)):
        return np.zeros(0, np.int64), np.zeros(0)
    if len(a) != len(b) or a["stamp"][0] != b["stamp"][0] or a["stamp"][-1] != b["stamp"][-1]:
        a = a[(a["stamp"] >= b["stamp"][0]) & (a["stamp"] <= b["stamp"][-1])]
        if not len(a):
            return np.zeros(0, np.int64), np.zeros(0)
    return a["stamp"], distances(a["position"], positions_at(a["stamp"], b), dimensions)
