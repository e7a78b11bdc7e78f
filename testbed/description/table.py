"""The air-bearing table: outline, tilt, flatness, film, edges."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from testbed.description.model import Description, Inconsistent

Point = tuple[float, float]
"""Two components x, y in the table frame, m."""


class Flatness(Description):
    """Heights of the surface on a regular grid; between the nodes bilinear."""

    origin: Point = Field(description="Position of heights_um[0][0], m")
    spacing: float = Field(gt=0.0, description="Distance between nodes in x and y, m")
    heights_um: tuple[tuple[float, ...], ...] = Field(
        min_length=2, description="Rows along y, each along x, micrometres"
    )

    @model_validator(mode="after")
    def _rows_are_equally_long(self) -> Self:
        length = len(self.heights_um[0])
        for index, row in enumerate(self.heights_um):
            if len(row) != length or length < 2:
                raise Inconsistent("rows of heights that are all equally long, at least 2", "heights_um", index)
        return self


class Table(Description):
    """The floor that vehicles glide on; frame `table`: origin on it in the middle of the working area, z up."""

    name: str
    note: str = ""
    outline: tuple[Point, ...] = Field(min_length=3, description="Convex polygon, counter-clockwise, m")
    working_area: tuple[Point, Point] = Field(description="Lower left and upper right corner of the area for poses, m")
    gravity: float = Field(default=9.80665, gt=0.0, description="m/s²")
    tilt_mrad: tuple[float, float] = Field(default=(0.0, 0.0), description="Slope of the surface along x and y, mrad")
    flatness: Flatness | None = None
    film_drag_time: float = Field(default=300.0, gt=0.0, description="Time constant of air film drag, s")
    edge_stiffness: float = Field(default=8000.0, gt=0.0, description="Stiffness of the edge bumper, N/m")
    edge_restitution: float = Field(default=0.4, ge=0.05, le=0.95, description="Coefficient of restitution at the edge")
    separation: float = Field(default=0.52, gt=0.0, description="Required distance centre to centre, m")
    bearing_supply_time: float = Field(default=1500.0, gt=0.0, description="How long the carriage's air lasts, s")

    @model_validator(mode="after")
    def _shapes_are_sound(self) -> Self:
        points = self.outline
        for index, a in enumerate(points):
            b, c = points[(index + 1) % len(points)], points[(index + 2) % len(points)]
            if (b[0] - a[0]) * (c[1] - b[1]) - (b[1] - a[1]) * (c[0] - b[0]) <= 0.0:
                raise Inconsistent("a convex polygon in counter-clockwise order", "outline")
        if not all(self.inside(point, -1e-9) for point in points):  # a star turns left at every corner, too
            raise Inconsistent("a polygon that goes round once", "outline")
        (left, low), (right, high) = self.working_area
        if left >= right or low >= high:
            raise Inconsistent("[[left, low], [right, high]] with left < right and low < high", "working_area")
        if not all(self.inside(corner) for corner in ((left, low), (right, low), (right, high), (left, high))):
            raise Inconsistent("corners within outline", "working_area")
        return self

    def inside(self, point: Point, margin: float = 0.0) -> bool:
        """Whether a point is inside the outline, at least `margin` m from every edge."""
        return self.distance_to_edge(point) >= margin

    def distance_to_edge(self, point: Point) -> float:
        """Distance to the nearest edge of the outline, m; negative outside."""
        nearest = float("inf")
        for index, (ax, ay) in enumerate(self.outline):
            bx, by = self.outline[(index + 1) % len(self.outline)]
            length = ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
            distance = ((bx - ax) * (point[1] - ay) - (by - ay) * (point[0] - ax)) / length
            nearest = min(nearest, distance)
        return nearest
