"""The base of every description: frozen, and closed to keys that it does not know."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

Vector = tuple[float, float, float]
"""Three components x, y, z."""


class Description(BaseModel):
    """A frozen description; unknown keys are errors, numbers must be finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
