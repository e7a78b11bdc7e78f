"""Soft and hard sides of a room: edges of a table, walls of a cabin."""

from __future__ import annotations

from collections.abc import Collection
from typing import Literal

EdgeKind = Literal["soft", "hard"]
"""soft: with a bumper along it; hard: bare."""

Figures = tuple[float, float]
"""Stiffness N/m and coefficient of restitution."""


def figures_of(
    kind: EdgeKind, hard_ones: Collection[int], sides: int, soft: Figures, hard: Figures
) -> tuple[list[float], list[float]]:
    """Stiffness N/m and coefficient of restitution of each side; `hard_ones` are hard whatever the others are."""
    chosen = [hard if kind == "hard" or side in hard_ones else soft for side in range(sides)]
    return [stiffness for stiffness, _ in chosen], [restitution for _, restitution in chosen]
