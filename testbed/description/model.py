"""The base of every description: frozen, and closed to keys that it does not know."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

Vector = tuple[float, float, float]
"""Three components x, y, z."""


class Inconsistent(ValueError):
    """Parts that are sound by themselves do not fit together.

    `allowed` says what would fit; `at` is the way to the part to look at: its keys and indices below the description.
    """

    def __init__(self, allowed: str, *at: str | int) -> None:
        super().__init__(allowed)
        self.at = at


class Description(BaseModel):
    """A frozen description; unknown keys are errors, numbers must be finite."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
