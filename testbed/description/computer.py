"""What the flight computer of a vehicle can spend on flight code, which `testbed bench budget` holds it against."""

from __future__ import annotations

from pydantic import Field

from testbed.description.model import Description


class Computer(Description):
    """Believed figures of a vehicle's computer; times are on that computer."""

    slowdown: float = Field(
        default=10.0, ge=0.1, description="How many times slower than the machine on which the bench is run"
    )
    estimator_ms: float = Field(default=10.0, gt=0.0, description="Longest step of the estimator, 50 a second, ms")
    guidance_ms: float = Field(default=2.0, gt=0.0, description="Longest step of guidance, 20 a second, ms")
    thruster_driver_ms: float = Field(
        default=5.0, gt=0.0, description="Longest step of guard, allocation and modulation together, ms"
    )
    period_ms: float = Field(
        default=20.0, gt=0.0, le=50.0, description="All of them in one control period of 50 ms at worst, ms"
    )
    memory_mb: float = Field(default=16.0, gt=0.0, description="Memory for parameters, state and work, MB")
