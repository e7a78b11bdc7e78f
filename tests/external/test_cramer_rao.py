"""The estimator's accuracy against the posterior Cramér-Rao bound, for white noise only.

Recursion for the information matrix of a nonlinear filtering problem with additive Gaussian noise: Tichavský, Muravchik
& Nehorai, IEEE Trans. Signal Processing 46 (1998), equations 21 to 23 and their case of Gaussian noise; see also
Bar-Shalom, Li & Kirubarajan, Estimation with Applications to Tracking and Navigation (both from memory). Written here
apart from the estimator, with dense matrices, along each true trajectory; noise and process are those of the small
world of tests/flight/estimation/world.py. Axes that the floor holds are known and left out.

The expectation over trajectories is taken over the seeds; thrust and its timing count as known, but for the jitter of
the valves, which the bound does without.
"""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.flight.estimation.propagation import SLOWEST
from tests.flight.estimation.world import TICK, World, demo_noise, state_errors, white_only

SETTLED = 10.0
WIDE = np.repeat((5.0, 0.1, 2.0), 3)
"""What is known at first of position m, velocity m/s and attitude rad: nothing, but that it was put there by hand."""
KNOWN = {"table": [0, 1, 3, 4, 8, 11, 12, 13], "cabin": list(range(15))}


def skew(v):
    """Matrices of the cross product, shape (n, 3, 3)."""
    x, y, z = np.moveaxis(v, -1, 0)
    zero = np.zeros_like(x)
    return np.stack([zero, -z, y, z, zero, -x, -y, x, zero], axis=-1).reshape(*v.shape[:-1], 3, 3)


class Bound:
    """Information about position, velocity, attitude, gyro bias and disturbance along the true ways of all seeds."""

    def __init__(self, world):
        self.world, self.free = world, KNOWN[world.place]
        noise = world.noise
        bias, disturbance = math.radians(noise.gyro.turn_on_bias_deg), noise.surroundings.disturbance
        prior = np.concatenate([WIDE, np.full(3, bias), np.full(3, disturbance)])[self.free]
        self.covariance = np.tile(np.diag(prior**2), (world.n, 1, 1))
        drift = math.radians(noise.gyro.bias_instability_deg_per_hour / 3600.0)
        self.bias_walk = 2.0 * drift**2 / noise.gyro.bias_time
        self.walk = 2.0 * noise.surroundings.disturbance_change**2 / noise.surroundings.disturbance_length
        self.before = world.truth()

    def step(self):
        """Move with the world by one tick."""
        before, now = self.before, self.world.truth()
        n, dt = self.world.n, TICK
        push = (now.com_velocity - before.com_velocity) / dt - now.disturbance
        F = np.tile(np.eye(15), (n, 1, 1))
        F[:, 0:3, 3:6] = F[:, 3:6, 12:15] = dt * np.eye(3)
        F[:, 0:3, 12:15] = 0.5 * dt**2 * np.eye(3)
        F[:, 3:6, 6:9] = -dt * skew(push)
        F[:, 6:9, 9:12] = -dt * before.orientation.as_matrix()
        Q = np.zeros((n, 15, 15))
        gyro = math.radians(self.world.noise.gyro.density_deg)
        Q[:, range(6, 9), range(6, 9)] = dt * gyro**2
        Q[:, range(9, 12), range(9, 12)] = dt * self.bias_walk
        speed = np.maximum(np.linalg.norm(before.com_velocity, axis=1), SLOWEST)
        Q[:, range(12, 15), range(12, 15)] = (dt * self.walk * speed)[:, None]
        F, Q = F[:, self.free][:, :, self.free], Q[:, self.free][:, :, self.free]
        self.covariance = F @ self.covariance @ np.swapaxes(F, 1, 2) + Q
        self.before = now

    def hear(self, measured):
        """Add the information of ranges: rows of seed, beacon, receiver, time of flight s, standard deviation m."""
        world, truth = self.world, self.before
        added = np.zeros((world.n, 15, 15))
        for k, beacon, receiver, flight, sigma in measured:
            turned = truth.orientation[k] * Rotation.from_rotvec(truth.angular_velocity[k] * flight)
            lever = turned.apply(world.receiver[receiver])
            sight = truth.com_position[k] + truth.com_velocity[k] * flight + lever - world.beacon[k, beacon]
            u = sight / np.linalg.norm(sight)
            H = np.concatenate([u, flight * u, np.cross(lever, u), np.zeros(6)])
            added[k] += np.outer(H, H) / sigma**2
        if measured:
            information = np.linalg.inv(self.covariance) + added[:, self.free][:, :, self.free]
            self.covariance = np.linalg.inv(information)

    def deviations(self):
        """Bound of the root mean square error of position m, velocity m/s and attitude rad, all free axes together."""
        variance = np.diagonal(self.covariance, axis1=1, axis2=2).mean(axis=0)
        groups = (range(3), range(3, 6), range(6, 9))
        return np.sqrt([sum(v for v, at in zip(variance, self.free, strict=True) if at in group) for group in groups])


def accuracy(place, seeds, seconds):
    """Error and bound every second from SETTLED on, root mean squares, (times, 3): position, velocity, attitude."""
    world = World(seeds, place=place, noise=white_only(demo_noise()))
    bound = Bound(world)
    free = [at for at in KNOWN[place] if at < 9]
    errors, bounds = [], []
    for tick in range(round(seconds / TICK) + 1):
        here = bound.deviations()
        world.step()
        if tick * TICK >= SETTLED and tick % 100 == 0:  # a cycle has just been handed over
            assert all(estimator.acquired for estimator in world.estimators)
            error, _ = state_errors(world)
            square = np.zeros(9)
            square[free] = np.mean(error[:, free] ** 2, axis=0)
            errors.append(np.sqrt(square.reshape(3, 3).sum(axis=1)))
            bounds.append(here)
        bound.hear(world.measured)
        bound.step()
    return np.array(errors), np.array(bounds)


@pytest.mark.parametrize("place", ["table", "cabin"])
def test_the_estimate_is_nearly_as_good_as_any_can_be(place):
    """The long version, 100 seeds and 30 s, is in tests/prove/test_estimator_consistency.py."""
    errors, bounds = accuracy(place, range(5000, 5016), 15.0)
    ratio = np.sqrt(np.mean(errors**2, axis=0) / np.mean(bounds**2, axis=0))
    assert np.all(ratio < 1.3)
    assert np.all(ratio > 0.7)  # less would mean that the bound is not one
