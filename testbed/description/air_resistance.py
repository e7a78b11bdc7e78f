"""How the air of a cabin slows a vehicle that moves and turns in it."""

from __future__ import annotations

from pydantic import Field

from testbed.description.model import Description


class AirResistance(Description):
    """Drag of a body without its floor carriage; what the carriage meets on the table is in the table's film_drag_time.

    Defaults are those of a box 0.26 m across: Cd of a cube face on (Hoerner, Fluid-Dynamic Drag, from memory); rotation
    with rho·h·a⁴ per (rad/s)² from the same pressure on the halves of its four sides that move against the air
    (rho 1.2 kg/m³, height h 0.26 m, half-width a 0.13 m), and 8·pi·mu·a³ per rad/s, a sphere's in creeping flow.
    """

    drag_coefficient: float = Field(default=1.05, ge=0.0, le=5.0, description="Drag coefficient Cd, from every side")
    area: float = Field(default=0.068, ge=0.0, le=1.0, description="Area that Cd refers to, m²")
    rotation_damping: float = Field(default=1.0e-6, ge=0.0, le=1.0, description="Torque per rate, N·m/(rad/s)")
    rotation_drag: float = Field(default=9.0e-5, ge=0.0, le=1.0, description="Torque per rate squared, N·m/(rad/s)²")
