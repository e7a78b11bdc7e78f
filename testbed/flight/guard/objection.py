"""What the guard may object to, what it does then, and its account of both."""

from __future__ import annotations

from enum import IntEnum
from typing import Final

import numpy as np


class Objection(IntEnum):
    """What is wrong with a wrench."""

    NONE = 0
    NOT_FINITE = 1
    ABSURD = 2
    """Far beyond what the valves can do: a fault in what asks."""
    NO_FIX = 3
    """The vehicle does not know where it is or how it moves."""
    SPEED = 4
    SPIN = 5
    CONTACT_ENERGY = 6
    WORK_AREA = 7


REFUSALS: Final = (Objection.NOT_FINITE, Objection.ABSURD)
"""Objections to the wrench itself, whatever the vehicle does."""


class Action(IntEnum):
    """What is done with a wrench, from mild to strong."""

    PASSED = 0
    TRIMMED = 1
    """What offends is taken out."""
    BRAKED = 2
    """Replaced by the brake of everything that moves."""
    CLOSED = 3
    """All valves are closed."""


VERDICT: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("objection", "i8"),
        ("action", "i8"),
        ("over", "i8"),
        ("lasted", "i8"),
        ("asked", "f8", (6,)),
    ],
    align=True,
)
"""An objection that began or grew stronger at a wrench's stamp (ns), or is `over` after it `lasted` so many ns.

asked: the wrench that met it, force N and torque N·m in base_link.
"""
