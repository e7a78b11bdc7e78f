"""Random numbers of one run, each source with its own stream.

`SeedSequence(seed, spawn_key=(run, source))`: no source's numbers depend on how many another took, and a block of ten
ticks holds the same numbers as ten blocks of one.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import MAX_RECEIVERS, MAX_VALVES

IMU_NORMALS: Final = 9
"""Normals that one sample of the inertial sensor takes: gyro, accelerometer, drift of the gyro's bias."""


class Source(IntEnum):
    """What the random numbers are for; a number once given keeps its meaning."""

    IMU = 0
    VALVES = 1
    RANGE_NOISE = 2
    RANGE_FATES = 3
    GYRO = 10
    ACCELEROMETER = 11
    SURVEY = 12
    AIR = 13
    THRUST = 14


class Draws:
    """The streams of one run for a number of vehicles."""

    def __init__(self, seed: int, run: int, vehicles: int) -> None:
        self.seed = seed
        self.run = run
        self.vehicles = vehicles
        self._imu = self.generator(Source.IMU)
        self._valves = self.generator(Source.VALVES)
        self._range_noise = self.generator(Source.RANGE_NOISE)
        self._range_fates = self.generator(Source.RANGE_FATES)

    def generator(self, source: Source) -> np.random.Generator:
        """Return a new generator at the beginning of a source's stream."""
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(self.run, int(source))))

    def imu(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `sense_imu`, shape (ticks, vehicles, IMU_NORMALS)."""
        return self._imu.standard_normal((ticks, self.vehicles, IMU_NORMALS))

    def valves(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `advance`, shape (ticks, vehicles, MAX_VALVES, 2)."""
        return self._valves.standard_normal((ticks, self.vehicles, MAX_VALVES, 2))

    def range_normals(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `listen`, shape (ticks, vehicles, MAX_RECEIVERS)."""
        return self._range_noise.standard_normal((ticks, self.vehicles, MAX_RECEIVERS))

    def range_uniforms(self, ticks: int) -> NDArray[np.float64]:
        """Uniforms in [0, 1) for `listen`, shape (ticks, vehicles, MAX_RECEIVERS, 3)."""
        return self._range_fates.random((ticks, self.vehicles, MAX_RECEIVERS, 3))
