import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.messages import IMU, NS_PER_S, ODOMETRY
from testbed.flight.estimation import ACQUIRED, Estimator, fill_odometry
from tests.flight.estimation.world import World, demo_vehicle

DRAWS = 20_000


def lopsided(place):
    """An estimator whose centre of mass is well off base_link, acquired, turning and moving, with a full covariance."""
    world = World([1], place=place)
    vehicle = demo_vehicle()
    body = vehicle.mass_properties(place).model_copy(update={"centre_of_mass": (0.02, -0.03, 0.05)})
    vehicle = vehicle.model_copy(update={"floor" if place == "table" else "flight": body})
    estimator = Estimator(vehicle, world.beacons, world.noise, place, world.axes)
    draw = np.random.default_rng(3)
    s = estimator.state[0]
    s["phase"], s["angular_velocity"] = ACQUIRED, (0.0, 0.0, 0.4) if place == "table" else (0.3, -0.2, 0.4)
    track = s["now"]
    track["orientation"] = (
        Rotation.from_euler("z", 1.0).as_quat() if place == "table" else Rotation.random(rng=draw).as_quat()
    )
    track["position"], track["velocity"] = (0.4, -0.3, 0.5), (0.05, 0.02, 0.0 if place == "table" else -0.03)
    track["gyro_bias"] = (0.001, 0.002, -0.003)
    root = draw.normal(0.0, 2e-4, (15, 15))
    track["covariance"][:15, :15] = root @ root.T
    return estimator


def odometry_of(estimator):
    odometry = np.zeros(1, ODOMETRY)
    fill_odometry(estimator.parameters[0], estimator.state[0], NS_PER_S, odometry[0])
    return odometry[0]


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_pose_and_twist_are_those_of_base_link(place):
    estimator = lopsided(place)
    odometry, track = odometry_of(estimator), estimator.state[0]["now"]
    rotation = Rotation.from_quat(track["orientation"])
    c = np.array((0.02, -0.03, 0.05))
    np.testing.assert_allclose(odometry["position"], track["position"] - rotation.apply(c), atol=1e-15)
    np.testing.assert_array_equal(odometry["orientation"], track["orientation"])
    rate = (estimator.state[0]["angular_velocity"] - track["gyro_bias"]) * estimator.parameters[0]["free"][3:]
    np.testing.assert_allclose(odometry["angular_velocity"], rate, atol=1e-15)
    swing = rotation.inv().apply(track["velocity"]) - np.cross(rate, c)
    np.testing.assert_allclose(odometry["linear_velocity"], swing, atol=1e-15)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_the_covariances_are_those_of_errors_drawn_from_the_filters_own(place):
    estimator = lopsided(place)
    odometry, track, p = odometry_of(estimator), estimator.state[0]["now"], estimator.parameters[0]
    draw = np.random.default_rng(4)
    error = draw.multivariate_normal(np.zeros(15), track["covariance"][:15, :15], DRAWS)
    gyro = draw.normal(0.0, p["gyro_density"] / 0.1, (DRAWS, 3))
    rotation = Rotation.from_quat(track["orientation"])
    truth = Rotation.from_rotvec(error[:, 6:9]) * rotation
    c, free = np.array((0.02, -0.03, 0.05)), p["free"][3:]
    position = track["position"] + error[:, :3] - truth.apply(np.tile(c, (DRAWS, 1)))
    rate = (estimator.state[0]["angular_velocity"] - track["gyro_bias"] - error[:, 9:12] - gyro) * free
    velocity = truth.inv().apply(track["velocity"] + error[:, 3:6]) - np.cross(rate, c)
    pose = np.concatenate([position - odometry["position"], error[:, 6:9]], axis=1)
    twist = np.concatenate([velocity - odometry["linear_velocity"], rate - odometry["angular_velocity"]], axis=1)
    for sample, covariance in ((pose, odometry["pose_covariance"]), (twist, odometry["twist_covariance"])):
        np.testing.assert_array_equal(covariance, covariance.T)
        scale = np.sqrt(np.diag(covariance))
        got = sample.T @ sample / DRAWS / np.outer(scale, scale)
        wanted = covariance / np.outer(scale, scale)
        known = np.diag(got) > 1e-6  # held rates have a token variance and no error
        np.testing.assert_allclose(got[np.ix_(known, known)], wanted[np.ix_(known, known)], atol=0.05)


def test_a_repeated_gyro_sample_changes_nothing():
    world = World([5])
    world.run(1.5)
    estimator = world.estimators[0]
    before = estimator.state.copy()
    imu = np.zeros(1, IMU)
    imu[0]["stamp"] = before[0]["now"]["stamp"]
    imu[0]["angular_velocity"] = 1.0
    estimator.accept_imu(imu[0])
    assert estimator.state.tobytes() == before.tobytes()
