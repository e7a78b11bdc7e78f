"""The cabin: a box of air in microgravity."""

from __future__ import annotations

from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from testbed.description.edges import EdgeKind, figures_of
from testbed.description.model import Description, Vector

Wall = Literal["+x", "+y", "+z", "-x", "-y", "-z"]
WALLS: Final[tuple[Wall, ...]] = get_args(Wall)
"""The walls, by the side of the origin that they are on."""


class Ventilation(Description):
    """How the cabin's air moves, and how much of it is exchanged."""

    velocity: Vector = Field(default=(0.0, 0.0, 0.0), description="Draught, the same everywhere, m/s")
    circulation_speed: float = Field(
        default=0.05,
        ge=0.0,
        le=1.0,
        description="One roll about y: speed in the middle of floor and ceiling, m/s (up at positive x)",
    )
    exchange: float = Field(default=0.02, ge=0.0, le=10.0, description="Air renewed, m³/s")


class Orbit(Description):
    """The turning and falling frame: x along the flight, y along the orbit's normal, z away from the Earth.

    A circular orbit; the cabin's origin is at the station's centre of mass, or steady_acceleration says what follows
    from where it is instead.
    """

    rate: float = Field(
        default=0.00113, ge=0.0, le=0.01, description="Rate of the circular orbit, rad/s (92.7 min a turn); 0: inertial"
    )
    steady_acceleration: Vector = Field(
        default=(5.0e-6, 0.0, 0.0),
        description="Of a body set free, seen from the cabin, m/s²: what drag on the station gives, with opposite sign",
    )

    @property
    def frame_rate(self) -> NDArray[np.float64]:
        """Rate of the frame `cabin` against inertial space along its axes, shape (3,), rad/s."""
        return np.array([0.0, self.rate, 0.0])

    @property
    def tidal(self) -> NDArray[np.float64]:
        """Acceleration of a body set free per metre from the origin, shape (3, 3), 1/s².

        In a circular orbit of rate n (Clohessy and Wiltshire, J. Aerospace Sciences 27, 1960): 3·n² along z (away from
        the Earth), -n² along y (the orbit's normal), nothing along x.
        """
        return np.diag([0.0, -(self.rate**2), 3.0 * self.rate**2])


class Cabin(Description):
    """A box-shaped room; frame `cabin` has its origin at the centre."""

    name: str
    note: str = ""
    size: Vector = Field(description="Length along x, y, z, m")
    walls: EdgeKind = Field(default="soft", description="soft or hard: padded or bare")
    hard_walls: tuple[Wall, ...] = Field(
        default=(), description="Walls that are hard whatever the others are: +x, +y, +z, -x, -y, -z"
    )
    wall_stiffness: float = Field(default=8000.0, gt=0.0, le=1e6, description="Stiffness of a soft wall's padding, N/m")
    wall_restitution: float = Field(default=0.4, ge=0.05, le=0.95, description="Restitution at a soft wall")
    hard_wall_stiffness: float = Field(default=60000.0, gt=0.0, le=1e6, description="Stiffness of a hard wall, N/m")
    hard_wall_restitution: float = Field(default=0.7, ge=0.05, le=0.95, description="Restitution at a hard wall")
    separation: float = Field(default=0.40, gt=0.0, description="Required distance centre to centre, m")
    air_density: float = Field(default=1.2, ge=0.0, le=5.0, description="kg/m³; 0: no drag")
    ventilation: Ventilation = Ventilation()
    orbit: Orbit = Orbit()

    @property
    def wall_figures(self) -> tuple[list[float], list[float]]:
        """Stiffness N/m and coefficient of restitution of each wall: at positive x, y, z, then at negative."""
        soft = (self.wall_stiffness, self.wall_restitution)
        hard = (self.hard_wall_stiffness, self.hard_wall_restitution)
        return figures_of(self.walls, [WALLS.index(wall) for wall in self.hard_walls], len(WALLS), soft, hard)

    @property
    def volume(self) -> float:
        """Volume of the box, m³."""
        return self.size[0] * self.size[1] * self.size[2]
