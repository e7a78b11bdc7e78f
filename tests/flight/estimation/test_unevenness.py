"""What the demo's noise file says of the disturbance's change is what its table does."""

import numpy as np
import pytest

from testbed.description.locate import locate
from testbed.model.table_surface import surface_slope
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.build import build_plant


def test_the_disturbance_changes_from_place_to_place_as_the_table_is_uneven():
    """The mean square change over a short way d is 2·σ²·d/L for a process that is forgotten over the length L."""
    configuration = load_configuration(locate("plans/first-float.yaml"))
    around = configuration.noise.surroundings
    world = build_plant(configuration)[0].world[0]
    draw = np.random.default_rng(1)
    here, angle, way = draw.uniform((-1.2, -0.9), (1.2, 0.9), (20_000, 2)), draw.uniform(-np.pi, np.pi, 20_000), 0.3
    there = here + way * np.column_stack([np.cos(angle), np.sin(angle)])
    pull = world["gravity"] * np.array([[surface_slope(world, *one) for one in ends] for ends in (here, there)])
    assert pull[0].std(axis=0).mean() == pytest.approx(around.disturbance_change, rel=0.1)
    change = np.mean((pull[1] - pull[0]) ** 2)
    assert change == pytest.approx(2.0 * around.disturbance_change**2 * way / around.disturbance_length, rel=0.1)
