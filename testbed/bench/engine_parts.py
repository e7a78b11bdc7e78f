"""What each part of the engine costs: the same kernels on the same inputs as in a session, called apart."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from testbed.bench.figure import median
from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS
from testbed.description.ticks import schedule_due, wrench_due
from testbed.flight import estimation, thruster_driver
from testbed.model.draws import Draws
from testbed.model.schedule import accept_schedule
from testbed.plan.configuration import Configuration
from testbed.rehearsal.engine import advance_plant, estimate, guide, sense
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.wiring import (
    IMU,
    ODOMETRY,
    RANGES,
    SCHEDULE,
    STEP_TICKS,
    STRETCH_TICKS,
    FlightArrays,
    Noise,
    PlantArrays,
    Tape,
    Wires,
    draw,
)

NOT_HEARD: Final = -1

STATES: Final = (PlantArrays, FlightArrays, Wires, Tape)

_accept_commanded = estimation.accept_schedule
_drive = thruster_driver.step


class Heard(NamedTuple):
    """Messages of a stretch of a session, by tick and vehicle; `*_row`: which one is new at a tick, or NOT_HEARD."""

    first: int
    imu: NDArray[np.void]
    odometry: NDArray[np.void]
    ranges: NDArray[np.void]
    ranges_row: NDArray[np.int64]
    schedule: NDArray[np.void]
    schedule_row: NDArray[np.int64]


def measure_parts(configuration: Configuration, before: float, window: float, repeats: int) -> dict[str, float]:
    """Milliseconds that each part takes for one emulated second of all vehicles; medians."""
    rehearsal = LockstepRehearsal(configuration)
    _fly(rehearsal, before)
    state = _copies(rehearsal)
    state[3].told[0] = 0
    heard = _hear(rehearsal, window)
    ticks = len(heard.imu)
    noise = draw(rehearsal.draws, ticks)
    start, first, air = LOCKSTEP_START_NS, heard.first, rehearsal.air
    plant, flight, wires, tape = state
    calls: dict[str, tuple[Callable[..., None], tuple[Any, ...]]] = {
        "sensing": (sense_ticks, (plant, wires, noise, tape, first, ticks, start)),
        "plant": (advance_ticks, (plant, noise, heard, ticks)),
        "estimator": (estimate_ticks, (flight, wires, tape, heard, ticks, air)),
        "guidance and thruster driver": (guide_ticks, (flight, wires, tape, heard, ticks)),
        "random numbers": (_draw, (rehearsal.draws, ticks)),
    }
    costs = {
        part: median([_timed(call, arguments) for _ in range(repeats)]) for part, (call, arguments) in calls.items()
    }
    seconds = ticks * TICK_NS / NS_PER_S
    return {part: 1e3 * spent / seconds for part, spent in costs.items()}


def _fly(rehearsal: LockstepRehearsal, seconds: float) -> None:
    for _ in range(round(seconds * NS_PER_S / (STEP_TICKS * TICK_NS))):
        rehearsal.step()


def _hear(rehearsal: LockstepRehearsal, window: float) -> Heard:
    """Fly on and keep what was said."""
    first, vehicles, steps = rehearsal.stamp + TICK_NS, len(rehearsal.names), round(window * 10)
    ticks = steps * STEP_TICKS
    imu, odometry = np.zeros((ticks, vehicles), messages.IMU), np.zeros((ticks, vehicles), messages.ODOMETRY)
    ranges, schedules = (np.zeros((ticks, vehicles), kind) for kind in (messages.RANGES, messages.SCHEDULE))
    ranges_row, schedule_row = (np.full((ticks, vehicles), NOT_HEARD) for _ in range(2))
    tape = rehearsal.tape
    cycle = rehearsal.configuration.beacons.cycle_ns
    for step in range(steps):
        rehearsal.step()
        for v in range(vehicles):
            row = step * STEP_TICKS
            imu[row : row + STEP_TICKS, v] = tape.imu[v, : tape.counts[v, IMU]]
            for one in tape.odometry[v, : tape.counts[v, ODOMETRY]]:
                odometry[(one["stamp"] - first) // TICK_NS, v] = one
            for one in tape.ranges[v, : tape.counts[v, RANGES]]:
                at = (one["stamp"] + cycle - first) // TICK_NS
                ranges[at, v], ranges_row[at, v] = one, at
            for k in range(tape.counts[v, SCHEDULE]):
                at = (tape.schedule_at[v, k] - first) // TICK_NS
                schedules[at, v], schedule_row[at, v] = tape.schedule[v, k], at
    return Heard(first, imu, odometry, ranges, ranges_row, schedules, schedule_row)


def _copies(rehearsal: LockstepRehearsal) -> tuple[Any, Any, Any, Any]:
    """Plant, flight side, wires and tape as they are now."""
    one = rehearsal
    return _again(one.plant_arrays), _again(one.flight), _again(one.wires), _again(one.tape)


def _again(arrays: Any) -> Any:
    return type(arrays)(*(array.copy() for array in arrays))


def _timed(call: Callable[..., None], arguments: tuple[Any, ...]) -> float:
    """Processor time, s, of a call on its own copy of every state, after one that loads its kernels."""
    began = 0.0
    for _ in range(2):
        fresh = [_again(one) if isinstance(one, STATES) else one for one in arguments]
        began = time.process_time()
        call(*fresh)
    return time.process_time() - began


def _draw(draws: Draws, ticks: int) -> None:
    for _ in range(ticks // STRETCH_TICKS):
        draw(draws, STRETCH_TICKS)


@njit(cache=True)
def sense_ticks(plant: Any, wires: Any, noise: Noise, tape: Any, first: int, ticks: int, start: int) -> None:
    """Sense so many ticks, all vehicles standing still."""
    for tick in range(ticks):
        tape.counts[:] = 0
        for v in range(len(plant.states)):
            sense(plant, wires, noise, tape, v, tick, first + tick * TICK_NS, start)


@njit(cache=True)
def estimate_ticks(flight: Any, wires: Any, tape: Any, heard: Heard, ticks: int, air: float) -> None:
    """Estimate from what was heard."""
    for tick in range(ticks):
        tape.counts[:] = 0
        stamp = heard.first + tick * TICK_NS
        for v in range(len(flight.estimator)):
            if tick > 0 and heard.schedule_row[tick - 1, v] >= 0:
                _accept_commanded(flight.estimator[v], flight.estimator_state[v], heard.schedule[tick - 1, v])
            wires.imu[v] = heard.imu[tick, v]
            cycle_over = heard.ranges_row[tick, v] >= 0
            if cycle_over:
                wires.ranges[v] = heard.ranges[tick, v]
            estimate(flight, wires, tape, v, stamp, cycle_over, air)


@njit(cache=True)
def guide_ticks(flight: Any, wires: Any, tape: Any, heard: Heard, ticks: int) -> None:
    """Guide and drive from the odometry that was heard."""
    for tick in range(ticks):
        tape.counts[:] = 0
        stamp = heard.first + tick * TICK_NS
        if wrench_due(stamp):
            for v in range(len(flight.guidance)):
                wires.odometry[v] = heard.odometry[tick, v]
                guide(flight, wires, tape, v, stamp)
                if schedule_due(stamp, flight.modulation_period[v]):
                    p, s = flight.driver[v], flight.driver_state[v]
                    _drive(p, s, wires.odometry[v], wires.partners[v], wires.wrench[v], True, wires.schedule[v])


@njit(cache=True)
def advance_ticks(plant: Any, noise: Noise, heard: Heard, ticks: int) -> None:
    """Advance the plant under the schedules that were heard."""
    for tick in range(ticks):
        stamp = heard.first + tick * TICK_NS
        for v in range(len(plant.states)):
            if heard.schedule_row[tick, v] >= 0:
                accept_schedule(plant.vehicles[v], plant.states[v], heard.schedule[tick, v], stamp)
        advance_plant(plant, noise, tick, stamp)
