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
"""Normals that one sample of the inertial sensor takes: gyro, accelerometer, drift of their biases by turns."""


RANGE_NUMBERS: Final = MAX_RECEIVERS + 1
"""Normals, and uniforms, that `listen` takes: one per receiver, and one for the infrared pulse."""


RADIO_UNIFORMS: Final = 2
"""Uniforms that a packet takes for each receiver: whether it is lost, and how long it takes."""


TRACKING_NORMALS: Final = 7
"""Normals that one frame of the overhead tracking takes: position, rotation, whether the vehicle is lost."""


class Source(IntEnum):
    """What the random numbers are for; a number once given keeps its meaning."""

    IMU = 0
    VALVES = 1
    RANGE_NOISE = 2
    RANGE_FATES = 3
    TRACKING = 4
    RADIO = 5
    GYRO = 10
    ACCELEROMETER = 11
    SURVEY = 12
    AIR = 13
    THRUST = 14
    MISALIGNMENT = 15
    CAMERA = 20
    CORNERS = 21


class Draws:
    """The streams of one run for a number of vehicles; `tracked`: whether overhead tracking has errors."""

    def __init__(self, seed: int, run: int, vehicles: int, tracked: bool = True) -> None:
        self.seed = seed
        self.run = run
        self.vehicles = vehicles
        self.tracked = tracked
        self._imu = self.generator(Source.IMU)
        self._valves = self.generator(Source.VALVES)
        self._range_noise = self.generator(Source.RANGE_NOISE)
        self._range_fates = self.generator(Source.RANGE_FATES)
        self._tracking = self.generator(Source.TRACKING)
        self._radio = self.generator(Source.RADIO)

    def generator(self, source: Source) -> np.random.Generator:
        """Return a new generator at the beginning of a source's stream."""
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=(self.run, int(source))))

    def camera(self, vehicle: int, picture: int) -> np.random.Generator:
        """Return the generator of the noise of a vehicle's picture of that number, its own whatever else is drawn."""
        key = (self.run, int(Source.CAMERA), vehicle, picture)
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=key))

    def corners(self, vehicle: int) -> np.random.Generator:
        """Return a new generator at the beginning of the stream of a vehicle's projected corners."""
        key = (self.run, int(Source.CORNERS), vehicle)
        return np.random.default_rng(np.random.SeedSequence(self.seed, spawn_key=key))

    def imu(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `sense_imu`, shape (ticks, vehicles, IMU_NORMALS)."""
        return self._imu.standard_normal((ticks, self.vehicles, IMU_NORMALS))

    def valves(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `advance`, shape (ticks, vehicles, MAX_VALVES, 2)."""
        return self._valves.standard_normal((ticks, self.vehicles, MAX_VALVES, 2))

    def tracking(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `sense_truth`, (ticks, vehicles, TRACKING_NORMALS); zeros where it has no errors."""
        if not self.tracked:
            return np.zeros((ticks, self.vehicles, TRACKING_NORMALS))
        return self._tracking.standard_normal((ticks, self.vehicles, TRACKING_NORMALS))

    def range_normals(self, ticks: int) -> NDArray[np.float64]:
        """Standard normals for `listen`, shape (ticks, vehicles, RANGE_NUMBERS)."""
        return self._range_noise.standard_normal((ticks, self.vehicles, RANGE_NUMBERS))

    def range_uniforms(self, ticks: int) -> NDArray[np.float64]:
        """Uniforms in [0, 1) for `listen`, shape (ticks, vehicles, RANGE_NUMBERS)."""
        return self._range_fates.random((ticks, self.vehicles, RANGE_NUMBERS))

    def radio(self, sendings: int) -> NDArray[np.float64]:
        """Uniforms in [0, 1) for `Radio.send`, shape (sendings, receivers, senders, RADIO_UNIFORMS)."""
        return self._radio.random((sendings, self.vehicles, self.vehicles, RADIO_UNIFORMS))
