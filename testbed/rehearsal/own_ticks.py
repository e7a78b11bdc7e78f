"""Ticks of a session in which a vehicle's guidance or estimator is a user's own Python class.

The order and the kernels are those of engine.py; only the calls from one kernel to the next are made in Python, so that
the user's class can be asked in between. When it fails, all valves close from that tick on, and its vehicle's flight
side falls silent.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import TICK_NS
from testbed.description.ticks import due, wrench_due
from testbed.flight.own import OwnEstimator, OwnGuidance, OwnPartError
from testbed.plan.configuration import Configuration
from testbed.plan.own_parts import estimator_of, guidance_of
from testbed.rehearsal import engine
from testbed.rehearsal.radio import give_out, take_up


class OwnTicks:
    """The users' own parts of a session, by the index of their vehicle.

    `health`: gyro bias and innovations at the last tick at which the estimate was due. `failure`: what the first part
    that failed died of.
    """

    def __init__(self, configuration: Configuration) -> None:
        self.estimators: dict[int, OwnEstimator] = {}
        self.guidances: dict[int, OwnGuidance] = {}
        self.health: dict[int, tuple[NDArray[np.float64], NDArray[np.void]]] = {}
        self.failure = ""
        self._silent: set[int] = set()
        for v, name in enumerate(configuration.vehicles):
            own, axes = configuration.vehicles[name].own, configuration.active_axes
            if own.estimator is not None and isinstance(one := estimator_of(configuration, name, axes), OwnEstimator):
                self.estimators[v] = one
            if own.guidance is not None and isinstance(two := guidance_of(configuration, name, axes), OwnGuidance):
                self.guidances[v] = two

    def __bool__(self) -> bool:
        return bool(self.estimators or self.guidances)

    def accept_maneuver(self, v: int, maneuver: Any) -> bool:
        """Hand a maneuver, shape (1,), to a vehicle's own guidance; False where it has none."""
        if v not in self.guidances:
            return False
        if v not in self._silent:
            try:
                self.guidances[v].accept_maneuver(maneuver)
            except OwnPartError as error:
                self._fail(v, error)
        return True

    def accept_trajectory(self, v: int, trajectory: Any) -> bool:
        """Hand a trajectory, shape (1,), to a vehicle's own guidance; False where it has none."""
        if v not in self.guidances:
            return False
        if v not in self._silent:
            try:
                self.guidances[v].accept_trajectory(trajectory)
            except OwnPartError as error:
                self._fail(v, error)
        return True

    def run_step(
        self,
        plant: Any,
        flight: Any,
        wires: Any,
        noise: Any,
        tape: Any,
        stamp: int,
        ticks: int,
        start: int,
        permit: bool,
        air: float,
    ) -> None:
        """As one step in engine.run_steps."""
        engine.wind_back(tape)
        for tick in range(ticks):
            now = stamp + tick * TICK_NS
            for v, one in self.estimators.items():
                if wires.schedule_sent[v]:
                    one.accept_schedule(wires.schedule[v])
            engine.advance_tick(plant, flight, wires, noise, tape, tick, now, permit and not self.failure)
            self.fly_tick(plant, flight, wires, noise, tape, tick, now + TICK_NS, start, permit, air)

    def fly_tick(
        self,
        plant: Any,
        flight: Any,
        wires: Any,
        noise: Any,
        tape: Any,
        tick: int,
        stamp: int,
        start: int,
        permit: bool,
        air: float,
    ) -> None:
        """As engine.fly_tick."""
        give_out(wires, tape, stamp)
        for v in range(len(plant.states)):
            cycle_over = engine.sense(plant, wires, noise, tape, v, tick, stamp, start)
            if v not in self._silent:
                try:
                    self._fly(flight, wires, tape, v, stamp, cycle_over, permit, air)
                except OwnPartError as error:
                    self._fail(v, error)
        take_up(wires, noise.radio[tick], stamp)

    def _fly(
        self, flight: Any, wires: Any, tape: Any, v: int, stamp: int, cycle_over: bool, permit: bool, air: float
    ) -> None:
        if v in self.estimators:
            _estimate(self.estimators[v], wires, tape, v, stamp, cycle_over, air)
            if due(stamp, engine.ESTIMATE_NS):
                self.health[v] = self.estimators[v].gyro_bias, self.estimators[v].innovations()
        else:
            engine.estimate(flight, wires, tape, v, stamp, cycle_over, air)
        if wrench_due(stamp):
            if v in self.guidances:
                _guide(self.guidances[v], wires, tape, v, stamp)
            else:
                engine.guide(flight, wires, tape, v, stamp)
            engine.drive(flight, wires, tape, v, stamp, permit and not self.failure)

    def _fail(self, v: int, error: OwnPartError) -> None:
        self._silent.add(v)
        self.health.pop(v, None)
        self.failure = self.failure or str(error)


def _estimate(one: OwnEstimator, wires: Any, tape: Any, v: int, stamp: int, cycle_over: bool, air: float) -> None:
    """As engine.estimate."""
    if due(stamp, engine.TEMPERATURE_NS):
        one.set_air_temperature(air)
    one.accept_imu(wires.imu[v])
    if cycle_over:
        one.accept_ranges(wires.ranges[v])
    if due(stamp, engine.ODOMETRY_NS):
        wires.odometry[v] = one.output(stamp)
        engine.keep_odometry(wires, tape, v)
    if due(stamp, engine.ESTIMATE_NS):
        wires.disturbance[v] = one.disturbance(stamp)[0]


def _guide(one: OwnGuidance, wires: Any, tape: Any, v: int, stamp: int) -> None:
    """As engine.guide."""
    phase, first = int(wires.status[v]["phase"]), bool(wires.status[v]["stamp"] == 0)
    here = slice(v, v + 1)
    answers = wires.wrench[here], wires.reference[here], wires.status[here]
    one.step(wires.odometry[here], wires.disturbance[here], *answers)
    engine.keep_answer(wires, tape, v, stamp, phase, first)
