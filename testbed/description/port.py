"""Capture ports: where a vehicle docks, what it admits, how it touches and how it pulls in.

Stiffness and bounds are data of the vehicle: they are fixed before any success rate is measured.
"""

from __future__ import annotations

from typing import Literal, Self

import numpy as np
from pydantic import Field, model_validator

from testbed.description.model import Description, Inconsistent, Vector


class Admittance(Description):
    """What two ports may differ by at first touch and still capture; of two ports the stricter bound counts."""

    lateral: float = Field(default=0.020, gt=0.0, description="Distance of the ports across their common axis, m")
    angle_deg: float = Field(default=8.0, gt=0.0, le=45.0, description="Angle between their directions, degrees")
    slowest_closing: float = Field(default=0.010, ge=0.0, description="Below it the latch is not triggered, m/s")
    fastest_closing: float = Field(default=0.060, gt=0.0, description="Above it they bounce, m/s")
    slip: float = Field(default=0.020, gt=0.0, description="Speed across the axis, m/s")
    rate_difference_deg: float = Field(default=2.0, gt=0.0, description="Difference of spin, degrees per second")

    @model_validator(mode="after")
    def _closing_is_a_range(self) -> Self:
        if self.slowest_closing >= self.fastest_closing:
            raise Inconsistent(f"less than fastest_closing, {self.fastest_closing:g} m/s", "slowest_closing")
        return self


class Capture(Description):
    """The spring and damper that pull two latched ports together, and when they count as seated and become rigid."""

    stiffness: float = Field(default=500.0, gt=0.0, le=5000.0, description="Pull per distance of the ports, N/m")
    turning_stiffness: float = Field(
        default=10.0, gt=0.0, le=100.0, description="Torque per angle off alignment, N·m/rad"
    )
    damping_ratio: float = Field(default=1.0, ge=0.2, le=3.0, description="Damping of both, as a ratio to critical")
    seated_distance: float = Field(default=1e-3, gt=0.0, description="Seated: ports nearer than this, m")
    seated_angle_deg: float = Field(default=0.5, gt=0.0, description="Seated: aligned to this, degrees")
    seated_speed: float = Field(default=1e-3, gt=0.0, description="Seated: slower than this, m/s")
    seated_rate_deg: float = Field(default=0.1, gt=0.0, description="Seated: turning slower than this, degrees/s")
    seated_time: float = Field(default=0.1, ge=0.0, le=10.0, description="Rigid after being seated for this long, s")


class Port(Description):
    """One capture port: a rounded tip that touches before anything else does, and a latch."""

    name: str = Field(pattern=r"^[a-z][a-z0-9_]*$", description="Name, unique in the vehicle")
    position: Vector = Field(description="Front of the tip in base_link, m")
    floor_position: Vector | None = Field(
        default=None, description="Front of the tip on the floor carriage, which it must stand proud of, m"
    )
    direction: Vector = Field(description="Direction it faces in base_link (need not be of unit length)")
    tip_radius: float = Field(default=0.05, gt=0.0, le=0.2, description="Radius of the rounded tip, m")
    stiffness: float = Field(default=20000.0, gt=0.0, le=2e5, description="Stiffness of the pair with its like, N/m")
    restitution: float = Field(default=0.3, ge=0.05, le=0.95, description="Coefficient of restitution")
    friction: float = Field(default=0.2, ge=0.0, le=1.0, description="Coulomb friction coefficient")
    admittance: Admittance = Admittance()
    capture: Capture = Capture()

    @model_validator(mode="after")
    def _faces_somewhere(self) -> Self:
        if np.linalg.norm(self.direction) < 1e-9:
            raise Inconsistent("a vector that is not zero", "direction")
        if self.floor_position is not None and np.hypot(self.direction[0], self.direction[1]) < 1e-9:
            raise Inconsistent("not straight up or down, for a port with a floor_position", "direction")
        return self

    def place(self, place: Literal["table", "cabin"]) -> Vector:
        """Front of the tip in that place, base_link, m."""
        return self.floor_position if place == "table" and self.floor_position is not None else self.position
