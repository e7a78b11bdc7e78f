"""What a vehicle's estimator goes by."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from testbed.description.model import Description


class EstimatorSettings(Description):
    """Where the estimator has the forces of the valves from."""

    valve_forces: Literal["commanded", "reported"] = Field(
        default="commanded",
        description="commanded: from what the valves are told; reported: from which are open, as their holder says",
    )
