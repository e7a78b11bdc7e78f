"""The guard passes what guidance may ask for and refuses what it never would, by reason."""

import numpy as np
import pytest

from testbed.flight.guard import Guard, Refusal
from testbed.flight.guard.guard import ABSURD_MULTIPLE
from tests.flight.example_vehicle import vehicle

MATRIX = vehicle().thrusters.wrench_matrix((0.0, 0.0, 0.0))
LARGEST_FORCE = 4 * 0.5 * 0.15 / 2 + 2 * 0.15
"""Along y two canted valves give half their thrust and two straight ones all of it, N."""


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("where", range(6))
def test_a_wrench_that_is_not_finite_is_refused_whatever_the_axis(value, where):
    guard = Guard(MATRIX)
    wrench = np.zeros(6)
    wrench[where] = value
    assert guard.judge(wrench[:3], wrench[3:]) == Refusal.NOT_FINITE


def test_refusals_are_counted_by_reason():
    guard = Guard(MATRIX)
    zero, absurd, missing = np.zeros(3), np.array([0.0, 1e6, 0.0]), np.array([0.0, 0.0, np.nan])
    for force, torque in [(zero, zero), (absurd, zero), (zero, absurd), (zero, missing), (absurd, missing)]:
        guard.judge(force, torque)
    refused = guard.state[0]["refused"]
    assert (refused[Refusal.NOT_FINITE], refused[Refusal.ABSURD], refused[Refusal.NONE]) == (2, 2, 0)
    assert guard.judge(zero, zero) == Refusal.NONE
    assert guard.state[0]["last"] == Refusal.NONE


def test_absurd_begins_at_the_stated_multiple_of_what_the_valves_give():
    guard = Guard(MATRIX)
    limit = ABSURD_MULTIPLE * LARGEST_FORCE
    zero = np.zeros(3)
    assert guard.judge(np.array([0.999 * limit, 0.0, 0.0]), zero) == Refusal.NONE
    assert guard.judge(np.array([0.0, -1.001 * limit, 0.0]), zero) == Refusal.ABSURD
