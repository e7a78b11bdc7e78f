"""What the demo's noise files say of the disturbance is what its table and its cabin do."""

import numpy as np
import pytest

from testbed.description.locate import locate
from testbed.model.environment import air_drag
from testbed.model.table_surface import surface_slope
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.build import build_plant
from testbed.rehearsal.flight import flight_arrays


def test_the_disturbance_changes_from_place_to_place_as_the_table_is_uneven():
    """The mean square change over a short way d is 2·σ²·d/L for a process that is forgotten over the length L.

    d is about what the estimator remembers, a few seconds at a few cm/s.
    """
    configuration = load_configuration(locate("plans/first-float.yaml"))
    around = configuration.noise.surroundings
    world = build_plant(configuration)[0].world[0]
    draw = np.random.default_rng(1)
    here, angle, way = draw.uniform((-1.2, -0.9), (1.2, 0.9), (20_000, 2)), draw.uniform(-np.pi, np.pi, 20_000), 0.1
    there = here + way * np.column_stack([np.cos(angle), np.sin(angle)])
    pull = world["gravity"] * np.array([[surface_slope(world, *one) for one in ends] for ends in (here, there)])
    assert pull[0].std(axis=0).mean() == pytest.approx(around.disturbance_change, rel=0.1)
    change = np.mean((pull[1] - pull[0]) ** 2)
    assert change == pytest.approx(2.0 * around.disturbance_change**2 * way / around.disturbance_length, rel=0.1)


def test_the_disturbance_in_the_cabin_is_what_its_moving_air_does_beyond_still_air():
    """Over places and ways of 0.3 m, begun and ended at up to 6 cm/s; drag in still air is in the estimator's mean."""
    configuration = load_configuration(locate("plans/cabin-float.yaml"))
    around = configuration.noise.surroundings
    plant, believed = build_plant(configuration)[0], flight_arrays(configuration).estimator[0]
    draw, shape = np.random.default_rng(1), (5000, 3)
    here, way = draw.uniform((-1.2, -0.9, -0.5), (1.2, 0.9, 0.5), shape), directions(draw, shape)
    starts = left_over(plant, believed, here, draw.uniform(0.0, 0.06, (5000, 1)) * way)
    ends = left_over(plant, believed, here + 0.3 * way, draw.uniform(0.0, 0.06, (5000, 1)) * way)
    assert np.sqrt(np.mean(starts**2)) == pytest.approx(around.disturbance, rel=0.1)
    assert starts.std(axis=0).mean() == pytest.approx(around.disturbance_change, rel=0.1)
    change = 2.0 * around.disturbance_change**2 * 0.3 / around.disturbance_length
    assert np.mean((ends - starts) ** 2) == pytest.approx(change, rel=0.25)


def directions(draw, shape):
    """Unit vectors."""
    vectors = draw.normal(size=shape)
    return vectors / np.linalg.norm(vectors, axis=1, keepdims=True)


def left_over(plant, believed, places, velocities):
    """Acceleration by the cabin less that by still air, m/s²."""
    world, vehicle = plant.world[0], plant.vehicles[0]
    still = (0.0, 0.0, 0.0)
    drag = [air_drag(world, vehicle, *motion, still)[0] for motion in zip(places, velocities, strict=True)]
    known = believed["square_drag"] * np.linalg.norm(velocities, axis=1, keepdims=True) * velocities
    return np.array(drag) / vehicle["mass"] + world["steady_acceleration"] + known
