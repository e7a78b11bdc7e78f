"""The pose from ranges against scipy.optimize.least_squares, and its scatter against the Cramér–Rao bound.

The bound is the inverse of the Fisher information of the beacon geometry (Kay, Fundamentals of Statistical Signal
Processing: Estimation Theory, chapter 3), with the Jacobian taken by finite differences of the distances at the truth;
over time its recursive form (Tichavský, Muravchik & Nehorai, IEEE Trans. Signal Processing 46 (1998)).
"""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from testbed.description.air import speed_of_sound
from testbed.flight.estimation.pose_fit import SPEED_SIGMA, minimise
from testbed.flight.estimation.update import HELD_ANGLE, HELD_HEIGHT, HELD_SPEED
from tests.flight.estimation.world import START, World, demo_noise, pose_errors, white_only

DRAWS = 400


def residuals(x, p, fit, start):
    """Weighted residuals of ranges and priors; x: position, rotation vector on top of `start`, velocity."""
    position, rotation, velocity = x[:3], Rotation.from_rotvec(x[3:6]) * start, x[6:]
    n = int(fit["count"])
    ears = position + rotation.apply(fit["arm"][:n]) + np.outer(fit["time"][:n], velocity)
    distance = np.linalg.norm(ears - fit["beacon"][:n], axis=1)
    parts = [(distance - fit["distance"][:n]) * fit["weight"][:n]]
    parts.append(velocity / np.where(p["free"][:3] > 0.0, SPEED_SIGMA, HELD_SPEED))
    vertical = rotation.apply((0.0, 0.0, 1.0))
    if p["free"][2] == 0.0:
        parts.append(
            [(position[2] - p["held_height"]) / HELD_HEIGHT, vertical[0] / HELD_ANGLE, vertical[1] / HELD_ANGLE]
        )
    return np.concatenate(parts)


def found(place, seeds, at=None, noise=None):
    """Worlds in which every seed has just fitted its first pose; the problem and pose are left in `fit`."""
    world = World(seeds, place=place, noise=noise or demo_noise(), push=False)
    draw = np.random.default_rng(31)
    for k in range(world.n):
        if at is not None:
            world.place_at(k, *at)
        world.velocity[k] = world.free[:3] * SPEED_SIGMA * draw.standard_normal(3) * (0.3 if noise is None else 1.0)
    world.disturbance[:] = 0.0
    world.disturbance_walk = False
    return world


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_the_pose_is_that_of_scipys_least_squares(place):
    world = found(place, range(40, 48))
    world.run(1.6)  # the search is spread over ticks
    compared = 0
    for estimator in world.estimators:
        p, fit = estimator.parameters[0], estimator.state[0]["fit"]
        if fit["count"] == 0 or estimator.state[0]["phase"] == 0:
            continue
        minimise(p, fit, 50, 1e-15)
        start = Rotation.from_quat(fit["orientation"])
        guess = np.concatenate([fit["position"] + 0.03, np.radians([2.0, -2.0, 4.0]), np.zeros(3)])
        answer = least_squares(residuals, guess, args=(p, fit, start), xtol=1e-15, ftol=1e-15, gtol=1e-15)
        np.testing.assert_allclose(fit["position"], answer.x[:3], atol=1e-6)
        np.testing.assert_allclose(answer.x[3:6], 0.0, atol=1e-5)
        np.testing.assert_allclose(fit["velocity"], answer.x[6:], atol=1e-5)
        assert fit["cost"] == pytest.approx(2.0 * answer.cost, rel=1e-6)
        normal = np.tril(fit["normal"]) + np.tril(fit["normal"], -1).T
        np.testing.assert_allclose(normal, answer.jac.T @ answer.jac, rtol=1e-3, atol=1e-4 * np.abs(normal).max())
        compared += 1
    assert compared >= 6


def test_first_poses_scatter_as_the_cramer_rao_bound_says():
    """Same place, many draws of noise and velocity: mean square error over the bound, 1 for an efficient fit."""
    noise = white_only(demo_noise())
    quiet = noise.gyro.model_copy(update={"density_deg": 0.0, "turn_on_bias_deg": 0.0})
    noise = noise.model_copy(update={"gyro": quiet})
    at = (np.array([0.4, -0.3, 0.45]), Rotation.from_euler("z", 0.7))
    world = found("table", range(1000, 1000 + DRAWS), at, noise)
    velocity = world.velocity.copy()
    world.run(0.52)  # two cycles
    p = world.estimators[0].parameters[0]
    error, bound = [], []
    for k, estimator in enumerate(world.estimators):
        fit = estimator.state[0]["fit"]
        n = int(fit["count"])
        assert n > 0
        start = at[1]
        arrival = fit["time"][:n] + _window_start(world, estimator)
        truth = np.concatenate([_com(world, at) + velocity[k] * arrival[0], np.zeros(3), velocity[k]])
        turned = Rotation.from_quat(fit["orientation"]) * start.inv()
        error.append(np.concatenate([fit["position"], turned.as_rotvec(), fit["velocity"]]) - truth)
        jacobian = least_squares(residuals, truth, args=(p, fit, start), max_nfev=1).jac
        bound.append(np.linalg.inv(jacobian.T @ jacobian))
    error, bound = np.array(error), np.array(bound)
    for component in (0, 1, 5, 6, 7):
        ratio = np.mean(error[:, component] ** 2) / np.mean(bound[:, component, component])
        assert 1.0 - 4.0 * np.sqrt(2.0 / DRAWS) < ratio < 1.0 + 4.0 * np.sqrt(2.0 / DRAWS), (component, ratio)


def _window_start(world, estimator):
    """When the first range of the fit arrived, s after the start: it is the first of the first cycle."""
    fit = estimator.state[0]["fit"]
    sound = speed_of_sound(world.beacons.air_temperature, world.beacons.air_humidity)
    return fit["distance"][0] / sound


def _com(world, at):
    return at[0] + at[1].apply(world.com)


def test_after_ten_seconds_the_error_is_near_the_recursive_bound():
    """White noise only: root mean square error at most 1.3 of the bound, and not below it by more than chance."""
    seeds = 48
    noise = white_only(demo_noise())
    world = World(range(2000, 2000 + seeds), noise=noise, push=False)
    bounds = [RecursiveBound(world, k) for k in range(seeds)]
    cycle = world.beacons.cycle_ns
    error, variance = [], []
    while world.stamp <= START + 12_000_000_000:
        if (world.stamp - START) % cycle == 0 and world.stamp > START:
            for k, bound in enumerate(bounds):
                bound.hear(world.heard[k], world.stamp - cycle)
        world.step()
        if world.stamp > START + 10_000_000_000 and (world.stamp - START) % cycle == 0:
            position, rotation = pose_errors(world, world.outputs())
            error.append(np.column_stack([position[:, :2], rotation[:, 2]]))
            variance.append([bound.variance(world.stamp - 10_000_000) for bound in bounds])
    ratio = np.sqrt(np.mean(np.square(error), axis=(0, 1)) / np.mean(variance, axis=(0, 1)))
    assert np.all(ratio < 1.3), ratio
    assert np.all(ratio > 1.0 - 3.0 / np.sqrt(2.0 * seeds)), ratio


class RecursiveBound:
    """Bound of x, y, velocity, heading, gyro bias and disturbance on the table, along the true motion."""

    def __init__(self, world, k):
        self.world, self.k = world, k
        noise = world.noise
        self.stamp = START
        drift = np.radians(noise.gyro.bias_instability_deg_per_hour / 3600.0)
        self.density = np.zeros(8)
        self.density[4] = np.radians(noise.gyro.density_deg) ** 2
        self.density[5] = 2.0 * drift**2 / noise.gyro.bias_time
        self.density[6:] = 2.0 * noise.surroundings.disturbance**2 / 60.0
        start = [1.0, 1.0, SPEED_SIGMA, SPEED_SIGMA, np.pi, np.radians(noise.gyro.turn_on_bias_deg)]
        self.P = np.diag(np.square([*start, noise.surroundings.disturbance, noise.surroundings.disturbance]))

    def at(self, stamp):
        """Covariance bound carried to `stamp`, without storing it."""
        dt = (stamp - self.stamp) * 1e-9
        F = np.eye(8)
        F[0, 2] = F[1, 3] = F[2, 6] = F[3, 7] = dt
        F[0, 6] = F[1, 7] = 0.5 * dt**2
        F[4, 5] = -dt
        return F @ self.P @ F.T + dt * np.diag(self.density)

    def hear(self, rows, pulse):
        world, ranging = self.world, self.world.noise.ranging
        position, rotation = world.com_position[self.k], world.rotation[self.k]
        for beacon, receiver, flight, offset in rows:
            arrival = pulse + round((offset + flight) * 1e9)
            self.P, self.stamp = self.at(arrival), arrival
            arm = rotation.apply(world.receiver[receiver])
            sight = position + arm - world.beacon[self.k, beacon]
            distance = np.linalg.norm(sight)
            H = np.zeros(8)
            H[:2] = sight[:2] / distance
            H[4] = (arm[0] * sight[1] - arm[1] * sight[0]) / distance
            information = (
                np.linalg.inv(self.P) + np.outer(H, H) / (ranging.constant + ranging.per_metre * distance) ** 2
            )
            self.P = np.linalg.inv(information)

    def variance(self, stamp):
        return np.diag(self.at(stamp))[[0, 1, 4]]
