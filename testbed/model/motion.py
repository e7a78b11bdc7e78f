"""A body's motion as a row of numbers: what the steps of tumbling.py and touching.py work on.

Rotation is carried as angular momentum, which without torque stays as it is, to rounding.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.description.rotation import Tuple3, rotate, rotate_inverse, times

MOTION: Final = 13
"""Centre of mass (0:3), orientation (3:7), velocity (7:10) and angular momentum (10:13); all along fixed axes."""
MOMENTUM: Final = 10
"""Column of the angular momentum."""

Motion = NDArray[np.float64]


@njit(cache=True)
def load_motion(state: Any, motion: Motion) -> None:
    """Copy the motion of a body into a row of MOTION."""
    about = rotate(state.orientation, times(state.body_inertia, (state.rate[0], state.rate[1], state.rate[2])))
    for i in range(3):
        motion[i], motion[7 + i], motion[MOMENTUM + i] = state.centre[i], state.velocity[i], about[i]
    for i in range(4):
        motion[3 + i] = state.orientation[i]


@njit(cache=True)
def store_motion(state: Any, motion: Motion) -> None:
    """Copy a row of MOTION into a body's state; base_link is left to joined.py."""
    rate = rate_of(state, motion)
    for i in range(3):
        state.centre[i], state.velocity[i], state.rate[i] = motion[i], motion[7 + i], rate[i]
    for i in range(4):
        state.orientation[i] = motion[3 + i]


@njit(cache=True)
def rate_of(state: Any, motion: Motion) -> Tuple3:
    """Rate along body axes, rad/s, from the angular momentum; held axes have none."""
    return times(state.body_inverse_inertia, rotate_inverse(motion[3:7], motion[10:13]))
