"""The estimator's filter against filterpy's extended Kalman filter (R. Labbe) on the same data.

filterpy gets dense matrices written here in the textbook's way, moves to every single arrival, and updates in Joseph's
form; the estimator's sparse steps, its replay and its outer-product update must lead to the same. Normalised errors
against chi-square bounds (scipy.stats; Bar-Shalom, Li & Kirubarajan, Estimation with Applications, section 5.4) are in
tests/flight/estimation/test_estimator.py.
"""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from testbed.description.air import speed_of_sound
from testbed.flight.estimation.propagation import SLOWEST
from tests.flight.estimation.world import START, World, demo_noise, white_only

filterpy = pytest.importorskip("filterpy.kalman")

CYCLES = 12
GATE = chi2.ppf(0.999, 1)
CONFIRMED = 3.0


def skew(v):
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


class Textbook:
    """Error-state filter with dense matrices around filterpy's ExtendedKalmanFilter."""

    def __init__(self, estimator, noise):
        track, self.p = estimator.state[0]["anchor"], estimator.parameters[0]
        self.stamp = int(track["stamp"])
        self.position, self.velocity = track["position"].copy(), track["velocity"].copy()
        self.rotation = Rotation.from_quat(track["orientation"])
        self.bias, self.disturbance = track["gyro_bias"].copy(), track["disturbance"].copy()
        self.filter = filterpy.ExtendedKalmanFilter(dim_x=15, dim_z=1)
        self.filter.x = np.zeros(15)
        self.filter.P = track["covariance"][:15, :15].copy()
        self.gyro_density = np.radians(noise.gyro.density_deg)
        self.bias_walk = 2.0 * np.radians(noise.gyro.bias_instability_deg_per_hour / 3600.0) ** 2 / noise.gyro.bias_time
        self.disturbance_walk = 2.0 * noise.surroundings.disturbance_change**2 / noise.surroundings.disturbance_length
        self.ranging = noise.ranging
        self.rejected = int(estimator.state[0]["rejected"])

    def move(self, until, samples):
        """Carry mean and covariance to `until` through the gyro samples (stamp, mean rate up to it)."""
        for stamp, rate in samples:
            if stamp <= self.stamp or self.stamp >= until:
                continue
            dt = (min(stamp, until) - self.stamp) * 1e-9
            turn = Rotation.from_rotvec(0.5 * dt * (rate - self.bias))
            middle = self.rotation * turn
            F, Q = np.eye(15), np.zeros((15, 15))
            F[0:3, 3:6] = dt * np.eye(3)
            F[0:3, 12:15] = 0.5 * dt**2 * np.eye(3)
            F[3:6, 12:15] = dt * np.eye(3)
            F[6:9, 9:12] = -dt * middle.as_matrix()
            Q[6:9, 6:9] = dt * self.gyro_density**2 * np.eye(3)
            Q[9:12, 9:12] = dt * self.bias_walk * np.eye(3)
            Q[12:15, 12:15] = dt * self.disturbance_walk * max(np.linalg.norm(self.velocity), SLOWEST) * np.eye(3)
            self.filter.F, self.filter.Q = F, Q
            self.filter.predict()
            self.position = self.position + dt * self.velocity + 0.5 * dt**2 * self.disturbance
            self.velocity = self.velocity + dt * self.disturbance
            self.rotation = middle * turn
            self.stamp = min(stamp, until)

    def hear(self, beacon, receiver, distance):
        arm = self.rotation.apply(self.p["arm"][receiver])
        sight = self.position + arm - self.p["beacon"][beacon]
        predicted = np.linalg.norm(sight)
        u = sight / predicted
        H = np.concatenate([u, np.zeros(3), -u @ skew(arm), np.zeros(6)])[None, :]
        sigma = self.ranging.constant + self.ranging.per_metre * distance
        self.filter.R = np.array([[sigma**2]])
        if (distance - predicted) ** 2 > GATE * float((H @ self.filter.P @ H.T)[0, 0] + sigma**2):
            self.rejected += 1
            return
        self.filter.update(np.array([distance - predicted]), lambda x: H, lambda x: H @ x)
        x = self.filter.x
        self.position, self.velocity = self.position + x[0:3], self.velocity + x[3:6]
        self.rotation = Rotation.from_rotvec(x[6:9]) * self.rotation
        self.bias, self.disturbance = self.bias + x[9:12], self.disturbance + x[12:15]
        self.filter.x = np.zeros(15)


def test_the_filter_agrees_with_filterpy_on_the_same_data():
    noise = white_only(demo_noise())
    world = World([21], place="cabin", noise=noise, push=False)
    world.rate[:] = (0.05, -0.08, 0.1)
    estimator = world.estimators[0]
    samples = []
    feed = estimator.accept_imu

    def note(imu):
        samples.append((int(imu["stamp"]), imu["angular_velocity"].copy()))
        feed(imu)

    estimator.accept_imu = note
    cycle = world.beacons.cycle_ns
    while (world.stamp - START) % cycle or world.stamp < START + CONFIRMED * 1e9 or not estimator.acquired:
        world.step()
    world.step()
    textbook = Textbook(estimator, noise)
    sound = speed_of_sound(world.beacons.air_temperature, world.beacons.air_humidity)
    for _ in range(CYCLES):
        rows, pulse = world.heard[0], world.stamp - 10_000_000
        for _ in range(cycle // 10_000_000):
            world.step()
        rows = sorted((pulse + round((offset + flight) * 1e9), b, r, sound * flight) for b, r, flight, offset in rows)
        for arrival, beacon, receiver, distance in rows:
            textbook.move(arrival, samples)
            textbook.hear(beacon, receiver, distance)
        textbook.move(pulse + cycle // 2, samples)  # the anchor waits at the last arrival, later than this
        track = estimator.state[0]["anchor"]
        assert track["stamp"] == textbook.stamp
        assert estimator.state[0]["rejected"] == textbook.rejected
        sigma = np.sqrt(np.diag(textbook.filter.P))
        turn = Rotation.from_quat(track["orientation"]) * textbook.rotation.inv()
        difference = np.concatenate(
            [
                track["position"] - textbook.position,
                track["velocity"] - textbook.velocity,
                turn.as_rotvec(),
                track["gyro_bias"] - textbook.bias,
                track["disturbance"] - textbook.disturbance,
            ]
        )
        assert np.abs(difference / sigma).max() < 2e-3
        got = track["covariance"][:15, :15] / np.outer(sigma, sigma)
        np.testing.assert_allclose(got, textbook.filter.P / np.outer(sigma, sigma), atol=2e-3)
