"""The air that a carriage floats on, and what happens when it is used up."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from testbed.description.model import Description, Inconsistent


class Bearing(Description):
    """Tank of a carriage: its pressure falls evenly to float_pressure within the table's bearing_supply_time."""

    start_pressure: float = Field(
        default=15.0e6, gt=0.0, le=40e6, description="Pressure in the carriage's tank at the start of a session, Pa"
    )
    float_pressure: float = Field(
        default=0.5e6, gt=0.0, le=10e6, description="Below it the film closes and the carriage touches down, Pa"
    )
    friction: float = Field(
        default=0.25, gt=0.0, le=2.0, description="Coulomb friction coefficient of a carriage that has touched down"
    )

    @model_validator(mode="after")
    def _floats_at_first(self) -> Self:
        if self.float_pressure >= self.start_pressure:
            raise Inconsistent(f"more than float_pressure, {self.float_pressure:g} Pa", "start_pressure")
        return self
