"""The cabin: a box of air in microgravity."""

from __future__ import annotations

from pydantic import Field

from testbed.description.model import Description, Vector


class Cabin(Description):
    """A box-shaped room; frame `cabin` has its origin at the centre."""

    name: str
    note: str = ""
    size: Vector = Field(description="Length along x, y, z, m")
    wall_stiffness: float = Field(default=8000.0, gt=0.0, description="N/m")
    wall_restitution: float = Field(default=0.4, ge=0.05, le=0.95, description="Coefficient of restitution")
    separation: float = Field(default=0.40, gt=0.0, description="Required distance centre to centre, m")
