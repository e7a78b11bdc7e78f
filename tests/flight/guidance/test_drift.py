"""Drifting about the reference: which pulses follow on each other, and after what pause."""

import math
from itertools import pairwise

import numpy as np
import pytest

from testbed.description.maneuver import Maneuver
from testbed.description.messages import NS_PER_S
from testbed.description.ticks import schedule_due
from tests.drawn.vehicles import drawn_vehicle
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody

LEAST_PAUSE = 1.2
"""From the end of the last period of a train to the next train, s."""
SEEDS = range(8)


def tumbling(body, kicks):
    """Held within a deadband, and kicked to and fro so that it leaves it on all axes at about the same time."""
    height = 0.45 if body.active.sum() == 3 else 0.0
    body.command(
        Maneuver(number=1, run="a", attempt=1, kind="hold", start=START, expiry=START + 10**13,
                 position=(0.0, 0.0, height), orientation=(0.0, 0.0, 0.0, 1.0),
                 deadband=0.005, deadband_angle=math.radians(0.5))
    )  # fmt: skip
    body.run(0.2)
    for kick in range(kicks):
        sense = (-1.0) ** kick
        body.velocity[:] = sense * body.active[:3] * (0.002, -0.002, 0.002)
        body.rate[:] = sense * body.active[3:] * np.radians((0.2, -0.2, 0.2))
        body.run(15.0)
    return body


def trains(body):
    """Time s and wrench per schedule, shape (n, 7), of each train: schedules that follow on each other."""
    period = body.driver.modulation_period
    asked = []
    for time, wrench in zip(body.recorded("time"), body.recorded("wrench"), strict=True):
        due = schedule_due(START + round(time * NS_PER_S), period)
        if due and np.abs(wrench[:3]).max() + np.abs(wrench[3:]).max() > 1e-4:
            asked.append([time, *wrench])
    asked = np.array(asked)
    ends = np.flatnonzero(np.diff(asked[:, 0]) > 1.5 * period / NS_PER_S) + 1
    return np.split(asked, ends)


@pytest.mark.parametrize("place", ["table", "cabin"])
@pytest.mark.parametrize("seed", SEEDS)
def test_a_train_goes_one_way_and_the_next_one_waits(place, seed):
    """What a valve could not give is given with the next pulse: in a train along another axis it might oppose it."""
    body = tumbling(FloatingBody(drawn_vehicle(np.random.default_rng(seed), vehicle()), place), kicks=6)
    found = trains(body)
    assert len(found) > 5
    period = body.driver.modulation_period / NS_PER_S
    for before, after in pairwise(found):
        assert after[0, 0] - before[-1, 0] - period > LEAST_PAUSE - 1e-6
    for train in found:
        ways = train[:, 1:] / np.linalg.norm(train[:, 1:], axis=1)[:, None]
        assert np.all(ways @ ways[0] > 0.99)
