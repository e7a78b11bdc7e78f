"""Where vehicles may be: a convex area, and convex zones to keep out of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Area:
    """All x with normals·x <= offsets: normals (m, n) of length 1, offsets (m,) m, along the planned axes."""

    normals: Array
    offsets: Array

    @classmethod
    def box(cls, low: Sequence[float], high: Sequence[float]) -> Self:
        """Between two corners."""
        eye = np.eye(len(low))
        return cls(np.vstack([eye, -eye]), np.concatenate([high, np.negative(low)]))

    @classmethod
    def polygon(cls, corners: Sequence[tuple[float, float]]) -> Self:
        """Within a convex polygon, counter-clockwise."""
        points = np.array(corners)
        edges = np.roll(points, -1, axis=0) - points
        normals = np.column_stack([edges[:, 1], -edges[:, 0]]) / np.linalg.norm(edges, axis=1)[:, None]
        return cls(normals, np.sum(normals * points, axis=1))

    def excess(self, points: Array) -> Array:
        """How far `points` (..., n) are beyond the nearest side, m; negative inside."""
        return np.max(points @ self.normals.T - self.offsets, axis=-1)


@dataclass(frozen=True)
class Zone:
    """A convex body to keep out of: everything within `radius` m of the hull of `vertices` (m, n).

    `normals` (f, n) of the hull's faces, `edges` (e, 2, n) of a hull in 3-D. One vertex makes a disc or a ball.
    """

    vertices: Array
    radius: float
    normals: Array
    edges: Array

    @classmethod
    def ball(cls, centre: Sequence[float], radius: float) -> Self:
        """A disc in two dimensions, a ball in three."""
        n = len(centre)
        return cls(np.array([centre], dtype=float), radius, np.zeros((0, n)), np.zeros((0, 2, n)))

    @classmethod
    def hull(cls, points: Sequence[Sequence[float]] | Array, radius: float = 0.0) -> Self:
        """The convex hull of `points` (m, n), e.g. the corners of a polygon or of a box."""
        cloud = np.array(points, dtype=float)
        n = cloud.shape[1]
        shape = ConvexHull(cloud)
        edges = np.zeros((0, 2, n))
        if n == 3:
            pairs = np.sort(shape.simplices[:, [[0, 1], [1, 2], [0, 2]]].reshape(-1, 2), axis=1)
            edges = cloud[np.unique(pairs, axis=0)]
        return cls(cloud[shape.vertices], radius, np.unique(np.round(shape.equations[:, :n], 12), axis=0), edges)

    def separate(self, points: Array) -> tuple[Array, Array]:
        """For each of `points` (B, n) the normal (B, n) of the plane that parts it best, and the zone's reach (B,).

        A point x is outside where normal·x exceeds the reach, the largest normal·z over the zone; by how much is its
        distance (duality of convex sets). Inside, the face with the least way out.
        """
        candidates = np.concatenate([
            np.broadcast_to(self.normals, (len(points), *self.normals.shape)),
            _unit(points[:, None] - self.vertices[None]),
            _unit(_across(points, self.edges)),
        ], axis=1)  # fmt: skip
        reach = np.max(candidates @ self.vertices.T, axis=2) + self.radius
        depth = np.sum(candidates * points[:, None], axis=2) - reach
        best = np.argmax(depth, axis=1)
        rows = np.arange(len(points))
        return candidates[rows, best], reach[rows, best]

    def distance(self, points: Array) -> Array:
        """Distance of `points` (B, n) to the zone, m; inside, minus the way out."""
        normals, reach = self.separate(points)
        return np.sum(normals * points, axis=1) - reach


def _across(points: Array, edges: Array) -> Array:
    """From the line of each edge to each point, shape (B, e, n)."""
    start = edges[:, 0]
    along = _unit(edges[:, 1] - start)
    away = points[:, None] - start[None]
    return away - np.sum(away * along[None], axis=2, keepdims=True) * along[None]


def _unit(vectors: Array) -> Array:
    """Vectors (..., n) over their lengths; the first axis where there is none."""
    length = np.linalg.norm(vectors, axis=-1, keepdims=True)
    first = np.zeros(vectors.shape[-1])
    first[0] = 1.0
    return np.where(length > 1e-12, vectors / np.maximum(length, 1e-12), first)


def covering(directions: Array) -> float:
    """Cosine of the largest angle between any vector and the nearest of `directions` (8 in the plane, 26 in space).

    What obeys u·x <= covering·r for all of them is no longer than r.
    """
    if directions.shape[1] == 2:
        return math.cos(math.pi / len(directions))
    # Farthest from (1, 0, 0), (1, 1, 0)/sqrt 2 and (1, 1, 1)/sqrt 3 is the vector that has 1 along all three.
    return 1.0 / math.sqrt(1.0 + (math.sqrt(2.0) - 1.0) ** 2 + (math.sqrt(3.0) - math.sqrt(2.0)) ** 2)
