"""The guard before the valves: a wrench that no sound guidance would ask for is refused and counted."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import Any, Final

import numpy as np
from numba import njit
from numpy.typing import NDArray

ABSURD_MULTIPLE: Final = 20.0
"""A force (torque) beyond this many times the largest that the valves give along any axis is refused.

Feedback may well ask for a few times the authority, where it is only scaled down; 20 times is a fault in what asks.
"""


class Refusal(IntEnum):
    """Why a wrench was refused."""

    NONE = 0
    NOT_FINITE = 1
    ABSURD = 2


PARAMETERS: Final = np.dtype([("force", "f8"), ("torque", "f8")], align=True)
"""Largest force N and torque N·m that are passed on."""

STATE: Final = np.dtype([("last", "i8"), ("refused", "i8", (len(Refusal),))], align=True)
"""Verdict on the last wrench, and how many were refused by reason (index: Refusal)."""


class Guard:
    """Passes or refuses wrenches; `matrix` (6, valves) is the wrench of each open valve, N and N·m."""

    def __init__(self, matrix: NDArray[np.float64]) -> None:
        self.parameters = np.zeros(1, PARAMETERS)
        self.state = np.zeros(1, STATE)
        largest = np.maximum(matrix.clip(min=0.0).sum(axis=1), (-matrix).clip(min=0.0).sum(axis=1))
        self.parameters["force"] = ABSURD_MULTIPLE * largest[:3].max()
        self.parameters["torque"] = ABSURD_MULTIPLE * largest[3:].max()

    def judge(self, force: NDArray[np.float64], torque: NDArray[np.float64]) -> Refusal:
        """Whether a force N and torque N·m, shape (3,) each, may go on to the valves; refusals are counted."""
        return Refusal(judge(self.parameters[0], self.state[0], force, torque))


@njit(cache=True)
def judge(p: Any, s: Any, force: NDArray[np.float64], torque: NDArray[np.float64]) -> int:
    """Refusal.NONE, or why the wrench is refused (also counted in the state)."""
    verdict = Refusal.NONE
    for k in range(3):
        if not (math.isfinite(force[k]) and math.isfinite(torque[k])):
            verdict = Refusal.NOT_FINITE
    if verdict == Refusal.NONE:
        for k in range(3):
            if abs(force[k]) > p.force or abs(torque[k]) > p.torque:
                verdict = Refusal.ABSURD
    s.last = verdict
    if verdict != Refusal.NONE:
        s.refused[verdict] += 1
    return verdict
