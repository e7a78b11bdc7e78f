"""Distance of convex hulls against scipy: the same as a quadratic program over the weights of their corners.

The least of |A'u - B'v|² over weights u, v that are not negative and sum to one each (any text on convex optimisation,
e.g. Boyd & Vandenberghe, section 8.2), by scipy's SLSQP; where hulls meet, by linprog (HiGHS) as a feasible program.
"""

import numpy as np
import pytest
from scipy.optimize import linprog, minimize
from scipy.spatial import ConvexHull
from scipy.spatial.transform import Rotation

from tests.model.test_hull import core, distance, pose


def by_program(first, second):
    """Distance of two hulls, corners of shape (n, 3) each."""
    n, both = len(first), np.vstack([first, -second])

    def square(weights):
        apart = weights @ both
        return apart @ apart, 2.0 * both @ apart

    sums = np.zeros((2, len(both)))
    sums[0, :n] = sums[1, n:] = 1.0
    feasible = linprog(
        np.zeros(len(both)), A_eq=np.vstack([sums, both.T]), b_eq=[1.0, 1.0, 0.0, 0.0, 0.0], bounds=(0.0, None)
    )
    if feasible.status == 0:
        return 0.0
    start = np.concatenate([np.full(n, 1.0 / n), np.full(len(second), 1.0 / len(second))])
    found = minimize(
        square, start, jac=True, bounds=[(0.0, 1.0)] * len(both), method="SLSQP",
        constraints={"type": "eq", "fun": lambda w: sums @ w - 1.0, "jac": lambda w: sums},
        options={"ftol": 1e-15, "maxiter": 1000},
    )  # fmt: skip
    return float(np.sqrt(found.fun))


@pytest.mark.parametrize("seed", range(40))
def test_the_distance_of_two_hulls_is_that_of_the_quadratic_program(seed):
    random = np.random.default_rng(seed)
    clouds = [random.uniform(-0.2, 0.2, (random.integers(4, 17), 3)) for _ in range(2)]
    turns = [Rotation.random(random_state=random) for _ in range(2)]
    place = random.uniform(-0.5, 0.5, 3)
    poses = [pose(place, turns[0].as_rotvec()), pose(turn=turns[1].as_rotvec())]
    ours = distance(core(clouds[0]), poses[0], core(clouds[1]), poses[1])[0]
    theirs = by_program(turns[0].apply(clouds[0]) + place, turns[1].apply(clouds[1]))
    assert ours == pytest.approx(theirs, abs=1e-6)
    if theirs > 1e-5:
        assert ours <= theirs + 1e-9  # no program's point lies nearer than the nearest


@pytest.mark.parametrize("seed", range(10))
def test_a_point_is_as_far_from_a_hull_as_its_nearest_face_edge_or_corner(seed):
    """Outside near a face: the distance to the plane that scipy's ConvexHull (Qhull) gives for it."""
    random = np.random.default_rng(seed)
    cloud = random.uniform(-0.2, 0.2, (12, 3))
    hull = ConvexHull(cloud)
    for face, plane in zip(hull.simplices, hull.equations, strict=True):
        point = cloud[face].mean(axis=0) + 0.03 * plane[:3]
        ours = distance(core(np.repeat(point[None], 4, axis=0)), pose(), core(cloud), pose())[0]
        assert ours == pytest.approx(0.03, abs=1e-12)
