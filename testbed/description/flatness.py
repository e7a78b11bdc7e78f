"""How even the table is: heights on a grid, given here, read from a grid file, or made up to a flatness grade.

Grades after ISO 8512-2:1990, granite surface plates: the deviation of the whole surface, which is the least distance of
two parallel planes that enclose it, is at most c1·L + c2 micrometres, L the diagonal in mm rounded up to whole 100 mm.
The coefficients are from memory; that there are grades 0 to 3 for plates of 160 mm by 100 mm to 2500 mm by 1600 mm was
looked up (the national edition IS 7327:2003 says so, too).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from testbed.description.model import Description, Inconsistent

Point = tuple[float, float]
"""Two components x, y in the table frame, m."""

MAX_NODES: Final = 64
"""Nodes along x and along y, at most."""
COEFFICIENTS: Final = {0: (0.003, 2.5), 1: (0.006, 5.0), 2: (0.012, 10.0), 3: (0.024, 20.0)}
"""Of each grade: c1, micrometres per mm of the diagonal, and c2, micrometres."""
LARGEST: Final = (2.5, 1.6)
"""The largest plate that the grades are made for, m."""

_NODES_ALONG = 37
_WAVES = 5


@dataclass(frozen=True)
class HeightGrid:
    """Heights on a regular grid: heights[j, i] at origin + spacing·(i, j); all in m."""

    origin: Point
    spacing: float
    heights: NDArray[np.float64]


class Flatness(Description):
    """Heights of the surface on a regular grid, between the nodes bilinear. One of heights_um, file and grade."""

    origin: Point | None = Field(default=None, description="Position of heights_um[0][0], m")
    spacing: float | None = Field(default=None, gt=0.0, description="Distance between nodes in x and y, m")
    heights_um: tuple[tuple[float, ...], ...] | None = Field(
        default=None, min_length=2, max_length=MAX_NODES, description="Rows along y, each along x, micrometres"
    )
    file: str | None = Field(default=None, min_length=1, description="Grid file with origin, spacing and heights")
    grade: Literal[0, 1, 2, 3] | None = Field(default=None, description="Grade of ISO 8512-2: 0, 1, 2 or 3")
    seed: int = Field(default=1, ge=0, lt=2**31, description="Which of the surfaces of that grade")
    measured: bool = Field(default=False, description="Whether the heights were measured on the real table")

    @model_validator(mode="after")
    def _one_source_of_heights(self) -> Self:
        if self.grade is None and self.heights_um is None and self.file is None:
            raise Inconsistent("with heights_um, file or grade")
        if self.grade is not None and (self.heights_um is not None or self.file is not None or self.measured):
            raise Inconsistent("left out where heights are given or measured", "grade")
        if self.heights_um is not None:
            self._check_grid(self.heights_um)
        return self

    def _check_grid(self, rows: tuple[tuple[float, ...], ...]) -> None:
        for key in ("origin", "spacing"):
            if getattr(self, key) is None:
                raise Inconsistent(f"with {key} beside it", "heights_um")
        length = len(rows[0])
        for index, row in enumerate(rows):
            if len(row) != length or length < 2:
                raise Inconsistent("rows of heights that are all equally long, at least 2", "heights_um", index)
        if length > MAX_NODES:
            raise Inconsistent(f"rows of at most {MAX_NODES} heights", "heights_um", 0)

    def grid(self, outline: Sequence[Point]) -> HeightGrid:
        """Return the heights of a table with this outline.

        Raises:
            ValueError: the grid file has not been read.

        """
        if self.grade is not None:
            return graded(outline, self.grade, self.seed)
        if self.heights_um is None or self.origin is None or self.spacing is None:
            raise ValueError(f"flatness: the heights in {self.file} have not been read")
        return HeightGrid(self.origin, self.spacing, np.array(self.heights_um) * 1e-6)

    def provenance(self, outline: Sequence[Point]) -> str:
        """Say where the heights come from and how far to trust them."""
        if self.grade is None:
            where = f"heights of {self.file}" if self.file else "heights as given"
            return f"flatness: {where}, {'measured' if self.measured else 'not marked as measured'}"
        text = f"flatness: ISO 8512-2 grade {self.grade}, {1e6 * tolerance(outline, self.grade):.1f} µm in all"
        if not is_extrapolated(outline):
            return text
        long, short = LARGEST
        return f"{text}; EXTRAPOLATED, the standard covers plates up to {long:g} m by {short:g} m"


def tolerance(outline: Sequence[Point], grade: int) -> float:
    """Largest deviation of the whole surface that a grade allows, m."""
    long, short = _sides(outline)
    diagonal = 100.0 * math.ceil(round(math.hypot(long, short) * 10.0, 6))
    slope, constant = COEFFICIENTS[grade]
    return (slope * diagonal + constant) * 1e-6


def is_extrapolated(outline: Sequence[Point]) -> bool:
    """Whether a table is larger than the plates that the grades are made for."""
    return any(side > largest for side, largest in zip(_sides(outline), LARGEST, strict=True))


def graded(outline: Sequence[Point], grade: int, seed: int) -> HeightGrid:
    """Return a smooth random surface whose deviation is exactly what the grade allows, levelled between its planes.

    Waves of up to five half-lengths along each side, their size falling with the square of how many.
    """
    left, low = np.min(outline, axis=0)
    right, high = np.max(outline, axis=0)
    spacing = max(right - left, high - low) / (_NODES_ALONG - 1)
    columns, rows = (math.ceil(round(side / spacing, 6)) + 1 for side in (right - left, high - low))
    along = np.pi * spacing * np.arange(columns) / (right - left)
    across = np.pi * spacing * np.arange(rows) / (high - low)
    sizes = np.random.default_rng(seed).standard_normal((_WAVES + 1, _WAVES + 1))
    heights = np.zeros((rows, columns))
    for i in range(_WAVES + 1):
        for j in range(_WAVES + 1):
            if i + j > 1:
                heights += sizes[i, j] / (i**2 + j**2) * np.outer(np.cos(j * across), np.cos(i * along))
    level = heights - enclosing_plane(heights)
    return HeightGrid(
        (float(left), float(low)), float(spacing), level * tolerance(outline, grade) / (level.max() - level.min())
    )


def enclosing_plane(heights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Heights of the plane half-way between the two closest parallel planes that enclose a surface on a grid.

    Linear programme: least h with |z - a - b·i - c·j| <= h at every node.
    """
    from scipy.optimize import linprog  # here, because it takes long to import and few need it

    rows, columns = heights.shape
    j, i = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    basis = np.column_stack([np.ones(heights.size), i.ravel(), j.ravel()])
    z, width = heights.ravel(), np.ones((heights.size, 1))
    constraints = np.block([[basis, -width], [-basis, -width]])
    found = linprog([0.0, 0.0, 0.0, 1.0], A_ub=constraints, b_ub=np.concatenate([z, -z]), bounds=[(None, None)] * 4)
    return np.asarray((basis @ found.x[:3]).reshape(heights.shape))


def _sides(outline: Sequence[Point]) -> Point:
    """Longer and shorter side of the rectangle round an outline, m."""
    width, height = np.max(outline, axis=0) - np.min(outline, axis=0)
    return max(float(width), float(height)), min(float(width), float(height))
