"""What may interrupt an estimator: lifted and put down elsewhere, beacons silent, a burst of ranges that are all wrong.

A drawn vehicle drifts and spins in a drawn world, its valves closed; what it hears is interrupted, and the estimate is
followed all the way.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description.messages import NS_PER_S, ODOMETRY
from testbed.flight.estimation import ACQUIRED, Estimator, accept_imu, accept_ranges, fill_odometry
from testbed.plan.configuration import Configuration
from tests.drawn.cold_starts import Sensed, drawn_session, drawn_start, new_estimator, sensed_from
from tests.drawn.vehicles import drawn_world

BEFORE, AFTER = 12.0, 12.0
"""Seconds before and after the interruption begins."""
SLOW = 0.3
"""Share of a cold start's drift and spin, so that no wall is reached."""
SILENCE = 4.0
"""Seconds for which no beacon is heard."""
BURST, BURST_SHARE = 1.0, 0.8
"""Seconds for which so many of the ranges are too long, as when an echo is louder than the direct way."""
LONGEST_DETOUR = 2.0
"""Of those, m."""


class Interruption(Enum):
    """What happens at BEFORE."""

    LIFTED = "lifted and put down elsewhere"
    SILENCE = "beacons silent"
    BURST = "burst of wrong ranges"


@dataclass(frozen=True)
class Followed:
    """The estimate at each odometry tick, beside the truth; errors in m and rad."""

    seconds: NDArray[np.float64]  # since the interruption began
    acquired: NDArray[np.bool_]
    distance: NDArray[np.float64]
    angle: NDArray[np.float64]
    claimed: NDArray[np.float64]  # standard deviation of the position, all axes together, m
    squared: NDArray[np.float64]  # error of the free axes of the position, squared and normalised, over their number


def interrupted(seed: int, base: Configuration, interruption: Interruption) -> Followed:
    """Follow one estimator through one interruption."""
    generator = np.random.default_rng(seed)
    one = drawn_session(generator, base.with_seed(seed))
    world = drawn_world(generator, one)
    starts = [drawn_start(generator, one) for _ in range(2)]
    starts = [replace(start, velocity=SLOW * start.velocity, rate=SLOW * start.rate) for start in starts]
    if interruption is Interruption.LIFTED:
        heard = sensed_from(one, starts, world, BEFORE)
    else:
        heard = sensed_from(one, starts[:1], world, BEFORE + AFTER)
        disturb(generator, heard, interruption)
    return follow(new_estimator(one), heard, [0, 1] if one.place == "table" else [0, 1, 2])


def disturb(generator: np.random.Generator, heard: Sensed, interruption: Interruption) -> None:
    """Take away or spoil the ranges of some cycles."""
    begin = int(heard.ranges[0]["stamp"]) + round(BEFORE * NS_PER_S)
    length = SILENCE if interruption is Interruption.SILENCE else BURST
    for cycle in heard.ranges:
        if begin <= cycle["stamp"] < begin + round(length * NS_PER_S):
            if interruption is Interruption.SILENCE:
                cycle["count"] = 0
            else:
                wrong = generator.random(len(cycle["time_of_flight"])) < BURST_SHARE
                detour = LONGEST_DETOUR / 343.0 * generator.random(len(wrong))
                cycle["time_of_flight"] += wrong * detour


def follow(estimator: Estimator, heard: Sensed, free: list[int]) -> Followed:
    """Let an estimator hear it all, and hold it against the truth at each odometry tick."""
    cycle = int(heard.ranges[1]["stamp"] - heard.ranges[0]["stamp"])
    said, phase = np.zeros(len(heard.truth), ODOMETRY), np.zeros(len(heard.truth), np.int64)
    _follow(estimator.parameters, estimator.state, heard.imu, heard.ranges, heard.truth, cycle, said, phase)
    turn = Rotation.from_quat(said["orientation"]) * Rotation.from_quat(heard.truth["orientation"]).inv()
    error = said["position"] - heard.truth["position"]
    covariance = said["pose_covariance"][:, free][:, :, free]
    squared = np.einsum("ti,ti->t", error[:, free], np.linalg.solve(covariance, error[:, free, None])[..., 0])
    return Followed(
        seconds=(heard.truth["stamp"] - heard.ranges[0]["stamp"]) / NS_PER_S - BEFORE,
        acquired=phase == ACQUIRED,
        distance=np.linalg.norm(error, axis=1),
        angle=turn.magnitude(),
        claimed=np.sqrt(np.trace(covariance, axis1=1, axis2=2)),
        squared=squared / len(free),
    )


@njit(cache=True)
def _follow(p: Any, s: Any, imu: Any, ranges: Any, truth: Any, cycle: int, said: Any, phase: Any) -> None:
    cycles, odometries = 0, 0
    for tick in range(len(imu)):
        stamp = imu[tick].stamp
        accept_imu(p[0], s[0], imu[tick])
        if cycles < len(ranges) and stamp == ranges[cycles].stamp + cycle:
            accept_ranges(p[0], s[0], ranges[cycles])
            cycles += 1
        if odometries < len(truth) and stamp == truth[odometries].stamp:
            fill_odometry(p[0], s[0], stamp, said[odometries])
            phase[odometries] = s[0].phase
            odometries += 1
