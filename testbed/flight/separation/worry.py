"""What the filter may have to say, and what it does with a wrench."""

from __future__ import annotations

from enum import IntEnum
from typing import Final

import numpy as np

from testbed.flight.guard.objection import VERDICT


class Worry(IntEnum):
    """What stands against a wrench, or against the guarantee itself."""

    NONE = 0
    NEAR = 1
    """What was asked for would not keep the separation; something else goes on, and the separation is kept."""
    LEANS = 2
    """There is no way out left if this partner stopped braking: only its own filter keeps the two apart."""
    UNSURE = 3
    """An odometry is missing its numbers, is absurd, or claims larger errors than stated."""
    UNHEARD = 4
    """No odometry of this partner, or none that is new enough."""
    BEYOND = 5
    """This partner moved as its stated acceleration and errors do not allow."""
    CLOSE = 6
    """Before the next wrench the separation may fall below the minimum."""


CANNOT_GUARANTEE: Final = (Worry.UNSURE, Worry.UNHEARD, Worry.BEYOND, Worry.CLOSE)
"""Outside the theorem's assumptions: said, and braked."""


class Action(IntEnum):
    """What is done with a wrench, from mild to strong."""

    PASSED = 0
    WARNED = 1
    """Passed on although there is a worry: nothing better is known."""
    TRIMMED = 2
    """As much of it as keeps the separation."""
    BRAKED = 3
    """Replaced by the brake, or by what holds the place where it ended."""
    EVADED = 4
    """Replaced by a push away from a partner."""


NEWS: Final = np.dtype([*((name, VERDICT[name]) for name in VERDICT.names or ()), ("about", "i8")], align=True)
"""As the guard's VERDICT, `objection` being the Worry; about: the partner that it is about, -1: the vehicle itself."""
