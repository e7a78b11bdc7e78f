"""The components of one vehicle called directly with the inputs of a feed, as its nodes call them, and timed."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np

from testbed.bench.feed import Feed
from testbed.description import messages
from testbed.description.air import kelvin
from testbed.description.messages import NS_PER_S, PERIOD_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import Estimator
from testbed.flight.guidance import Guidance
from testbed.flight.modulation import windows_of
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits


class DirectCalls:
    """Estimator, guidance and thruster driver without anything between them."""

    def __init__(self, configuration: Configuration, vehicle: Vehicle, feed: Feed) -> None:
        place, axes = configuration.place, configuration.active_axes
        self._estimator = Estimator(
            vehicle, configuration.beacons, configuration.noise, place, axes, configuration.room
        )
        self._guidance = Guidance(vehicle, place, axes)
        windows = windows_of(vehicle, configuration.beacons, configuration.room)
        self._driver = ThrusterDriver(vehicle, place, axes, flight_limits(configuration, vehicle.name), windows)
        self._modulation = round(vehicle.thrusters.modulation_period * NS_PER_S)
        self._feed = feed
        self._maneuvers = dict(feed.maneuvers)
        self._waiting: list[int] = []
        self._odometry, self._wrench, self._reference, self._status, self._schedule = (
            np.zeros(1, dtype)
            for dtype in (messages.ODOMETRY, messages.WRENCH, messages.ODOMETRY, messages.STATUS, messages.SCHEDULE)
        )
        self._disturbance = np.zeros(1, messages.WRENCH)
        self._sent = False
        self._estimator.set_air_temperature(kelvin(feed.air_celsius))
        self.spent = 0

    def tick(self, k: int) -> int | None:
        """Answer tick k of the feed; ns that the calls took if it was answered by a schedule, else None."""
        stamp = int(self._feed.imu[k]["stamp"])
        self._waiting.append(k)
        if not due(stamp, PERIOD_NS["odometry"]):
            return None
        self.spent = 0
        self._estimate(stamp)
        if not wrench_due(stamp):
            return None
        for at in [at for at in self._maneuvers if at < stamp]:
            self._guidance.accept_maneuver(self._maneuvers.pop(at).record())
        self._timed(self._guidance.step, self._odometry, self._disturbance, self._wrench, self._reference, self._status)
        if not schedule_due(stamp, self._modulation):
            return None
        permitted = stamp > self._feed.permitted_from
        self._timed(self._driver.step, self._odometry, self._wrench, permitted, self._schedule)
        self._sent = True
        return self.spent

    def _estimate(self, stamp: int) -> None:
        feed = self._feed
        if self._sent:
            self._timed(self._estimator.accept_schedule, self._schedule[0])
            self._sent = False
        for k in self._waiting:
            self._timed(self._estimator.accept_imu, feed.imu[k])
            ranges = feed.ranges.get(int(feed.imu[k]["stamp"]))
            if ranges is not None:
                self._timed(self._estimator.accept_ranges, ranges[0])
        self._waiting.clear()
        self._odometry[0] = self._timed(self._estimator.output, stamp)
        if due(stamp, PERIOD_NS["estimate"]):
            self._disturbance = self._timed(self._estimator.disturbance, stamp)

    def _timed(self, call: Callable[..., Any], *arguments: Any) -> Any:
        began = time.perf_counter_ns()
        answer = call(*arguments)
        self.spent += time.perf_counter_ns() - began
        return answer
