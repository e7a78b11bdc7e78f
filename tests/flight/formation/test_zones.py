"""Zones to keep out of and the area to stay in, held against distances found another way."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import nnls

from testbed.flight.formation.program import directions
from testbed.flight.formation.zones import Area, Zone, covering


def distance_to_hull(point, vertices):
    """By a second way: least |point - vertices' w| with w >= 0 of sum 1, as a non-negative least-squares problem."""
    heavy = 1e5
    matrix = np.vstack([vertices.T, heavy * np.ones(len(vertices))])
    weights, _ = nnls(matrix, np.append(point, heavy), maxiter=10_000)
    return float(np.linalg.norm(vertices.T @ (weights / weights.sum()) - point))


@given(st.integers(0, 2**32 - 1), st.sampled_from([2, 3]), st.integers(4, 9), st.floats(0.0, 0.3))
def test_outside_the_distance_is_that_to_the_nearest_point(seed, n, corners, radius):
    generator = np.random.default_rng(seed)
    vertices = generator.uniform(-1.0, 1.0, (corners, n))
    zone, points = Zone.hull(vertices, radius), generator.uniform(-3.0, 3.0, (20, n))
    found = zone.distance(points) + radius
    wanted = np.array([distance_to_hull(point, vertices) for point in points])
    assert found[wanted > 1e-3] == pytest.approx(wanted[wanted > 1e-3], abs=1e-4)
    assert np.all(found[wanted < 1e-6] <= 1e-6)


@given(st.integers(0, 2**32 - 1), st.sampled_from([2, 3]))
def test_the_whole_zone_lies_behind_the_plane(seed, n):
    generator = np.random.default_rng(seed)
    vertices = generator.uniform(-1.0, 1.0, (6, n))
    zone = Zone.hull(vertices, 0.1)
    normals, reach = zone.separate(generator.uniform(-2.0, 2.0, (20, n)))
    assert np.linalg.norm(normals, axis=1) == pytest.approx(1.0)
    assert np.all(normals @ vertices.T + 0.1 <= reach[:, None] + 1e-12)


def test_a_disc_is_as_far_as_its_edge():
    zone = Zone.ball((0.3, 0.4), 0.2)
    assert zone.distance(np.array([[0.0, 0.0], [0.3, 0.4], [0.3, 1.4]])) == pytest.approx([0.3, -0.2, 0.8])


def test_a_polygon_and_a_box_are_the_same_area():
    box = Area.box((-1.0, -2.0), (3.0, 1.0))
    polygon = Area.polygon([(-1.0, -2.0), (3.0, -2.0), (3.0, 1.0), (-1.0, 1.0)])
    points = np.random.default_rng(1).uniform(-4.0, 4.0, (50, 2))
    assert box.excess(points) == pytest.approx(polygon.excess(points))
    assert box.excess(np.array([3.5, 0.0])) == pytest.approx(0.5)


@pytest.mark.parametrize("n", [2, 3])
def test_what_obeys_all_directions_is_no_longer_than_the_limit(n):
    vectors = np.random.default_rng(2).normal(size=(20_000, n))
    vectors /= np.linalg.norm(vectors, axis=1)[:, None]
    most = np.max(vectors @ directions(n).T, axis=1)
    assert np.min(most) >= covering(directions(n))
    assert np.min(most) == pytest.approx(covering(directions(n)), abs=2e-3)
    assert covering(directions(2)) == pytest.approx(math.cos(math.pi / 8))
