"""The air-bearing table: outline, tilt, flatness, film, edges."""

from __future__ import annotations

import math
from typing import Self

from pydantic import Field, model_validator

from testbed.description.bearing import Bearing
from testbed.description.edges import EdgeKind, figures_of
from testbed.description.flatness import Flatness, Point
from testbed.description.model import Description, Inconsistent


class Parking(Description):
    """Where a vehicle stands before a session."""

    x: float = Field(description="Position, m")
    y: float = Field(description="Position, m")
    heading_deg: float = Field(default=0.0, ge=-360.0, le=360.0, description="Heading, degrees")


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
    spin_drag: float = Field(
        default=2.0e-4, ge=0.0, le=1.0, description="Torque on a spinning vehicle per rate squared, N·m/(rad/s)²"
    )
    latitude_deg: float = Field(default=45.0, ge=-90.0, le=90.0, description="Where on Earth, degrees north")
    north_deg: float = Field(default=90.0, ge=-360.0, le=360.0, description="Direction of north from x, degrees")
    earth_rate: float = Field(
        default=7.292115e-5, ge=0.0, le=1e-3, description="Rate of the Earth, rad/s; 0: the table does not turn"
    )
    edges: EdgeKind = Field(default="soft", description="soft or hard: with a bumper along them or bare")
    hard_edges: tuple[int, ...] = Field(
        default=(), description="Sides of outline that are hard whatever the others are; the first is 0"
    )
    edge_stiffness: float = Field(default=8000.0, gt=0.0, le=1e6, description="Stiffness of a soft edge's bumper, N/m")
    edge_restitution: float = Field(default=0.4, ge=0.05, le=0.95, description="Restitution at a soft edge")
    hard_edge_stiffness: float = Field(default=60000.0, gt=0.0, le=1e6, description="Stiffness of a hard edge, N/m")
    hard_edge_restitution: float = Field(default=0.7, ge=0.05, le=0.95, description="Restitution at a hard edge")
    parking: tuple[Parking, ...] = Field(default=(), description="Where vehicles stand until they are put elsewhere")
    separation: float = Field(default=0.52, gt=0.0, description="Required distance centre to centre, m")
    room_volume: float = Field(default=150.0, gt=0.0, description="Air of the room around the table, m³")
    air_changes_per_hour: float = Field(
        default=2.0, ge=0.0, le=100.0, description="How often the room's air is renewed, 1/h"
    )
    bearing_supply_time: float = Field(default=1500.0, gt=0.0, description="How long the carriage's air lasts, s")
    bearing: Bearing = Bearing()

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
        for index, side in enumerate(self.hard_edges):
            if not 0 <= side < len(points):
                raise Inconsistent(f"0 to {len(points) - 1}, a side of outline", "hard_edges", index)
        self._check_parking()
        return self

    def _check_parking(self) -> None:
        for index, one in enumerate(self.parking):
            if not self.inside((one.x, one.y)):
                raise Inconsistent("a position within outline", "parking", index)
            for other in self.parking[:index]:
                if math.hypot(one.x - other.x, one.y - other.y) < self.separation:
                    raise Inconsistent(f"at least {self.separation:g} m from every other", "parking", index)

    @property
    def edge_figures(self) -> tuple[list[float], list[float]]:
        """Stiffness N/m and coefficient of restitution of each side of the outline."""
        soft = (self.edge_stiffness, self.edge_restitution)
        hard = (self.hard_edge_stiffness, self.hard_edge_restitution)
        return figures_of(self.edges, self.hard_edges, len(self.outline), soft, hard)

    @property
    def provenance(self) -> tuple[str, ...]:
        """What whoever uses the table should know of where its figures come from."""
        return () if self.flatness is None else (self.flatness.provenance(self.outline),)

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
