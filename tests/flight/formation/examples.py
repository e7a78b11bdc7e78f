"""Tasks for the tests of the planner: on the demo table, with the demo vehicles' figures."""

import numpy as np

from testbed.flight.formation.task import Keeping, Limits, Task
from testbed.flight.formation.trajectories import resting
from testbed.flight.formation.zones import Area

TABLE = Area.box((-1.6, -1.3), (1.6, 1.3))
KEEPING = Keeping(required=0.52, margin=0.06, body=0.2)
LIMITS = Limits(acceleration=0.01, speed=0.06)


def task(starts, goals, **others):
    """From rest at `starts` to rest at `goals`, (V, 2) m."""
    starts, goals = (np.column_stack([np.array(one, dtype=float), np.zeros(len(one))]) for one in (starts, goals))
    given = {"keeping": KEEPING, "area": TABLE} | others
    motions = tuple(resting(goal) for goal in goals)
    return Task(0.0, starts, np.zeros_like(starts), motions, (LIMITS,) * len(starts), **given)


def opposite(count, radius=1.1):
    """Everyone on a ring goes to the place opposite: all straight ways meet in the middle."""
    angles = 2.0 * np.pi * np.arange(count) / count
    ring = radius * np.column_stack([np.cos(angles), np.sin(angles)])
    return task(ring, -ring)
