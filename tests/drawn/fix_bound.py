"""How well a pose can be known at all from what was heard: the Cramér–Rao bound with priors.

Bayesian Fisher information of position, velocity, steady disturbance, attitude, gyro bias, air and survey, all taken at
the end of the listening (Van Trees, Detection, Estimation, and Modulation Theory, part I, section 2.4; Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, chapter 3). White range noise as believed; echoes
count as good ranges and the gyro's white noise as none, so that the bound is on the hopeful side.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation, Slerp

from testbed.description.messages import NS_PER_S
from testbed.flight.estimation.pose_fit import SPEED_SIGMA
from testbed.plan.configuration import Configuration
from tests.drawn.cold_starts import POSITION_LIMIT, Sensed

POSITION, VELOCITY, DISTURBANCE, ATTITUDE, BIAS, AIR, SURVEY = 0, 3, 6, 9, 12, 15, 16


def fix_bound(configuration: Configuration, heard: Sensed) -> np.ndarray:
    """Covariance (6, 6) that no unbiased estimate of position and attitude at the last truth can fall below."""
    noise, beacons = configuration.noise, configuration.beacons.beacons
    (vehicle,) = configuration.vehicles.values()
    stamps, end = heard.truth["stamp"].astype(float), int(heard.truth["stamp"][-1])
    turning = Slerp(stamps, Rotation.from_quat(heard.truth["orientation"]))
    information = np.diag(prior_information(configuration))
    for cycle in heard.ranges:
        for k in range(int(cycle["count"])):
            at = float(cycle["stamp"]) + (cycle["time_offset"][k] + cycle["time_of_flight"][k]) * NS_PER_S
            if at > end:
                continue
            beacon, tau = int(cycle["beacon"][k]), (at - end) / NS_PER_S
            place = np.array([np.interp(at, stamps, heard.truth["position"][:, axis]) for axis in range(3)])
            rotation = turning(at)
            lever = rotation.apply(vehicle.receivers[int(cycle["receiver"][k])].position)
            sight = place + lever - beacons[beacon].position
            distance = float(np.linalg.norm(sight))
            direction = sight / distance
            moment = np.cross(lever, direction)
            row = np.zeros(len(information))
            row[POSITION : POSITION + 3] = direction
            row[VELOCITY : VELOCITY + 3] = tau * direction
            row[DISTURBANCE : DISTURBANCE + 3] = 0.5 * tau**2 * direction
            row[ATTITUDE : ATTITUDE + 3] = moment
            row[BIAS : BIAS + 3] = -tau * rotation.inv().apply(moment)
            row[AIR] = -distance
            row[SURVEY + 3 * beacon : SURVEY + 3 * beacon + 3] = -direction
            row /= noise.ranging.constant + noise.ranging.per_metre * distance
            information += np.outer(row, row)
    covariance = np.linalg.inv(information)
    both = [*range(POSITION, POSITION + 3), *range(ATTITUDE, ATTITUDE + 3)]
    return covariance[np.ix_(both, both)]


def prior_information(configuration: Configuration) -> np.ndarray:
    """What is believed of each unknown before anything is heard: 1 / variance."""
    noise, temperature = configuration.noise, configuration.beacons.air_temperature
    sigmas = [SPEED_SIGMA] * 3 + [noise.surroundings.disturbance] * 3
    bias = [math.radians(noise.gyro.turn_on_bias_deg)] * 3
    constants = [0.5 * noise.surroundings.air_temperature / temperature]
    constants += [noise.ranging.survey] * (3 * len(configuration.beacons.beacons))
    informed = 1.0 / np.square(np.array(sigmas + bias + constants))
    return np.concatenate([np.full(3, 1e-4), informed[:6], np.full(3, 1e-2), informed[6:]])


def sure(covariance: np.ndarray, angle: float, doubt: float, draws: int = 40_000) -> bool:
    """Whether normal errors of a covariance (6, 6) exceed 2 cm and the angle, rad, each less often than `doubt`."""
    error = np.random.default_rng(0).multivariate_normal(np.zeros(6), covariance, draws, method="cholesky")
    far = np.sum(error[:, :3] ** 2, axis=1) > POSITION_LIMIT**2
    turned = np.sum(error[:, 3:] ** 2, axis=1) > angle**2
    return bool(max(np.mean(far), np.mean(turned)) < doubt)
