"""Stands between a user's own estimator and the rest."""

from __future__ import annotations

import math
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description import messages
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import Heard
from testbed.flight.own.errors import OwnPartError, named
from testbed.flight.own.guidance import must_be_finite, must_have
from testbed.flight.own.protocols import EstimatorLike

NEEDED: Final = ("step", "gyro_bias", "disturbance", "innovations")


class OwnEstimator:
    """Offers what estimation.Estimator offers, and lets the user's class answer; see protocols.EstimatorLike.

    What is heard is kept until `output` is asked for, and handed over at once. Raises OwnPartError where the class
    cannot be built, lacks something, raises, or estimates what is not finite.
    """

    def __init__(
        self,
        found: type,
        vehicle: Vehicle,
        beacons: Beacons,
        noise: Noise,
        place: Literal["table", "cabin"],
        active_axes: tuple[str, ...],
        room: Table | Cabin,
    ) -> None:
        self._name = f"own estimator {found.__name__} of {vehicle.name}"
        with named(f"a class that can be built as {found.__name__}(vehicle, beacons, noise, place, active_axes, room)"):
            self.part: EstimatorLike = found(vehicle, beacons, noise, place, active_axes, room)
        must_have(self.part, NEEDED)
        self._imu: list[Any] = []
        self._ranges: list[Any] = []
        self._schedules: list[Any] = []
        self._air_temperature = math.nan
        self._last_imu = self._last_cycle = -1

    def accept_imu(self, imu: Any) -> None:
        """Keep one record of messages.IMU, unless it, or a later one, was kept before: a plant may send again."""
        if int(imu["stamp"]) > self._last_imu:
            self._last_imu = int(imu["stamp"])
            self._imu.append(imu.copy())

    def accept_ranges(self, ranges: Any) -> None:
        """Keep one record of messages.RANGES, unless it, or a later one, was kept before."""
        if int(ranges["stamp"]) > self._last_cycle:
            self._last_cycle = int(ranges["stamp"])
            self._ranges.append(ranges.copy())

    def accept_schedule(self, schedule: Any) -> None:
        """Keep one record of messages.SCHEDULE."""
        self._schedules.append(schedule.copy())

    def set_air_temperature(self, kelvin: float) -> None:
        """Keep the measured air temperature."""
        self._air_temperature = kelvin

    def output(self, stamp: int) -> Any:
        """The user's estimate at the last gyro sample, whose stamp `stamp` is, as a record of ODOMETRY."""
        heard = Heard(
            _records(self._imu, messages.IMU),
            _records(self._ranges, messages.RANGES),
            _records(self._schedules, messages.SCHEDULE),
            self._air_temperature,
        )
        for kept in (self._imu, self._ranges, self._schedules):
            kept.clear()
        odometry = np.zeros(1, messages.ODOMETRY)
        odometry[0]["stamp"], odometry[0]["orientation"][3] = stamp, 1.0
        for name in ("pose_covariance", "twist_covariance"):
            np.fill_diagonal(odometry[0][name], UNKNOWN_VARIANCE)
        with named(f"{self._name} failed at {stamp / NS_PER_S:.2f} s"):
            self.part.step(heard, odometry)
        odometry[0]["stamp"] = stamp
        must_be_finite(self._name, "odometry", odometry[0])
        return odometry[0]

    @property
    def gyro_bias(self) -> NDArray[np.float64]:
        """As estimation.Estimator."""
        with named(f"{self._name}: gyro_bias"):
            bias = np.array(self.part.gyro_bias, np.float64)
        if bias.shape != (3,) or not np.isfinite(bias).all():
            raise OwnPartError(f"{self._name}: gyro_bias is not three finite numbers")
        return bias

    def disturbance(self, stamp: int) -> NDArray[np.void]:
        """As estimation.Estimator."""
        with named(f"{self._name}: disturbance"):
            wrench = self._table("disturbance", self.part.disturbance(stamp), messages.WRENCH)
        if len(wrench) != 1:
            raise OwnPartError(f"{self._name}: disturbance is not one WRENCH, shape (1,)")
        wrench[0]["stamp"] = stamp
        must_be_finite(self._name, "disturbance", wrench[0])
        return wrench

    def innovations(self) -> NDArray[np.void]:
        """As estimation.Estimator."""
        with named(f"{self._name}: innovations"):
            return self._table("innovations", self.part.innovations(), messages.INNOVATION_POINT)

    def _table(self, what: str, value: Any, dtype: np.dtype[Any]) -> NDArray[np.void]:
        table = np.array(value)
        if table.dtype != dtype or table.ndim != 1:
            raise OwnPartError(f"{self._name}: {what} is no array of records of messages.py, shape (n,)")
        return table


def _records(kept: list[Any], dtype: np.dtype[Any]) -> NDArray[np.void]:
    records = np.zeros(len(kept), dtype)
    for index, one in enumerate(kept):
        records[index] = one
    return records
