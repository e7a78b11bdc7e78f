"""Where stop and hold lead, against closed forms and against a vehicle that does it."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.cabin import Cabin, Orbit
from testbed.description.maneuver import Maneuver
from testbed.description.table import Table
from testbed.flight.prediction import HORIZON, Prediction
from tests.flight.example_vehicle import vehicle
from tests.flight.floating_body import START, FloatingBody

OUTLINE = ((-1.8, -1.5), (1.8, -1.5), (1.8, 1.5), (-1.8, 1.5))
RADIUS = vehicle().shape.carriage_radius


def table(**changes):
    fields = {"name": "flat", "outline": OUTLINE, "working_area": ((-1.6, -1.3), (1.6, 1.3)), "film_drag_time": 1e9}
    return Table(**(fields | changes))


def moving(position, velocity, heading=0.0):
    """Odometry with the velocity given in the fixed frame."""
    odometry = np.zeros(1, messages.ODOMETRY)
    attitude = Rotation.from_rotvec([0.0, 0.0, heading])
    odometry["position"], odometry["orientation"] = position, attitude.as_quat()
    odometry["linear_velocity"] = attitude.inv().apply(velocity)
    return odometry


def test_a_coast_ends_where_the_rim_touches_the_edge():
    coast = Prediction(vehicle(), table()).stop(moving((0.3, 0.2, 0.45), (0.05, 0.01, 0.0), heading=1.0))
    expected = (1.8 - RADIUS - 0.3) / 0.05
    assert coast.time_to_edge == pytest.approx(expected, abs=2e-3)
    assert coast.track[0] == pytest.approx([0.3, 0.2, 0.45])
    assert coast.track[-1] == pytest.approx([1.8 - RADIUS, 0.2 + 0.01 * expected, 0.45], abs=1e-3)


def test_a_vehicle_at_rest_on_a_level_table_never_touches_the_edge():
    coast = Prediction(vehicle(), table()).stop(moving((0.0, 0.0, 0.45), (0.0, 0.0, 0.0)))
    assert coast.time_to_edge == math.inf
    assert np.ptp(coast.track, axis=0) == pytest.approx(0.0)


def test_at_the_edge_the_time_is_zero():
    coast = Prediction(vehicle(), table()).stop(moving((1.8 - RADIUS, 0.0, 0.45), (0.01, 0.0, 0.0)))
    assert coast.time_to_edge == 0.0


def test_drag_and_tilt_bend_the_coast_as_their_differential_equation_says():
    prediction = Prediction(vehicle(), table(film_drag_time=300.0, tilt_mrad=(0.1, -0.05)))
    velocity, position, step = np.array([0.01, -0.005]), np.array([0.0, 0.0]), 0.01
    pull = -9.80665 * np.array([0.1e-3, -0.05e-3])
    coast = prediction.stop(moving((0.0, 0.0, 0.45), (*velocity, 0.0)))
    for point in coast.track[1:40]:
        for _ in range(50):
            middle = velocity + 0.5 * step * (pull - velocity / 300.0)
            position = position + step * middle
            velocity = velocity + step * (pull - middle / 300.0)
        assert point[:2] == pytest.approx(position, abs=1e-6)


def test_a_coast_is_followed_no_further_than_the_horizon():
    coast = Prediction(vehicle(), table()).stop(moving((0.0, 0.0, 0.45), (0.001, 0.0, 0.0)))
    assert coast.time_to_edge == math.inf
    assert coast.track[-1][0] == pytest.approx(0.001 * HORIZON)


def test_in_the_cabin_the_walls_end_the_coast():
    still = Orbit(rate=0.0, steady_acceleration=(0.0, 0.0, 0.0))
    cabin = Cabin(name="box", size=(2.0, 2.0, 4.0), orbit=still)
    coast = Prediction(vehicle(), cabin).stop(moving((0.0, 0.0, 0.5), (0.0, 0.0, 0.1)))
    assert coast.time_to_edge == pytest.approx((2.0 - 0.14 - 0.5) / 0.1, abs=2e-3)


def test_in_the_cabin_a_coast_is_bent_by_the_orbit_as_clohessy_and_wiltshire_have_it():
    """Away from the Earth z = 2·v/n·(1 - cos n·t) for a start along the flight; the wall is 0.86 m ahead."""
    n, v = 0.00113, 0.05
    cabin = Cabin(name="box", size=(2.0, 2.0, 4.0), orbit=Orbit(rate=n, steady_acceleration=(0.0, 0.0, 0.0)))
    coast = Prediction(vehicle(), cabin).stop(moving((0.0, 0.0, 0.0), (v, 0.0, 0.0)))
    t = coast.time_to_edge
    assert coast.track[-1][0] == pytest.approx(v / n * (4.0 * math.sin(n * t) - 3.0 * n * t), rel=1e-9)
    assert coast.track[-1][2] == pytest.approx(2.0 * v / n * (1.0 - math.cos(n * t)), rel=1e-9)
    assert coast.track[-1][2] > 0.015


@pytest.mark.parametrize("velocity", [(0.06, 0.0), (0.0, -0.06), (0.03, 0.04)])
def test_a_brake_under_control_ends_where_it_was_predicted(velocity):
    body = FloatingBody(vehicle())
    body.velocity[:2] = velocity
    halt = Prediction(vehicle(), table()).hold(moving(body.base_position(), body.velocity))
    body.command(
        Maneuver(number=1, run="a", attempt=1, kind="hold", start=START, expiry=START + 10**12)
    )  # fmt: skip
    body.run(halt.time)
    assert np.linalg.norm(body.velocity) < 0.1 * np.linalg.norm(velocity)
    body.run(15.0)
    assert body.base_position() == pytest.approx(halt.position, abs=0.1 * halt.distance + 2e-3)
    assert halt.distance == pytest.approx(np.linalg.norm(halt.position[:2]))


def test_at_rest_there_is_nothing_to_brake():
    halt = Prediction(vehicle(), table()).hold(moving((0.1, 0.2, 0.45), (0.0, 0.0, 0.0)))
    assert (halt.time, halt.distance) == (0.0, 0.0)
    assert halt.position == pytest.approx([0.1, 0.2, 0.45])
