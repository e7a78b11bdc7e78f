"""The engine: whole ticks of a closed loop, compiled, from one step of the conductor to the next.

It calls the kernels of model/ and flight/ in the order in which the nodes call them in lockstep, with the same messages
in between, so that both give the same numbers. Python is asked only where the conductor decides.
"""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.messages import PERIOD_NS, TICK_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.flight import estimation, thruster_driver
from testbed.flight.guidance import guidance
from testbed.model.edges import take_edges
from testbed.model.inertial_sensor import sense_imu
from testbed.model.plant import advance, sense_truth
from testbed.model.ranging import listen, take_ranges
from testbed.model.schedule import accept_schedule, close_valves
from testbed.rehearsal.wiring import (
    IMU,
    ODOMETRY,
    RANGES,
    REFERENCE,
    SCHEDULE,
    STATUS,
    TRUTH,
    VALVE_EDGE,
    WRENCH,
)

ODOMETRY_NS: Final = PERIOD_NS["odometry"]
TRUTH_NS: Final = PERIOD_NS["truth"]
REFERENCE_NS: Final = PERIOD_NS["reference"]
STATUS_NS: Final = PERIOD_NS["maneuver/status"]
TEMPERATURE_NS: Final = PERIOD_NS["/air/temperature"]

_accept_imu = estimation.accept_imu
_accept_ranges = estimation.accept_ranges
_accept_commanded = estimation.accept_schedule
_set_air_temperature = estimation.set_air_temperature
_fill_odometry = estimation.fill_odometry
_guide = guidance.step
_drive = thruster_driver.step


@njit(cache=True)
def run_step(
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
    """Go from the tick at `stamp`, already flown, through `ticks` more; the last one is flown but not advanced.

    permit: the conductor's permission to fire from `stamp` on; air: measured air temperature, K; stamps ns.
    """
    tape.counts[:] = 0
    for tick in range(ticks):
        now = stamp + tick * TICK_NS
        advance_tick(plant, flight, wires, noise, tape, tick, now, permit)
        fly_tick(plant, flight, wires, noise, tape, tick, now + TICK_NS, start, permit, air)


@njit(cache=True)
def fly_tick(
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
    """Sense at `stamp` and let every vehicle's flight side answer; `tick` is the row of the noise."""
    for v in range(len(plant.states)):
        cycle_over = sense(plant, wires, noise, tape, v, tick, stamp, start)
        estimate(flight, wires, tape, v, stamp, cycle_over, air)
        if wrench_due(stamp):
            guide(flight, wires, tape, v, stamp)
            if schedule_due(stamp, flight.modulation_period[v]):
                _drive(flight.driver[v], flight.driver_state[v], wires.wrench[v], permit, wires.schedule[v])
                wires.schedule_sent[v] = 1
                row = tape.counts[v, SCHEDULE]
                tape.schedule[v, row] = wires.schedule[v]
                tape.schedule_at[v, row] = stamp
                tape.counts[v, SCHEDULE] = row + 1


@njit(cache=True)
def sense(plant: Any, wires: Any, noise: Any, tape: Any, v: int, tick: int, stamp: int, start: int) -> bool:
    """What sensors and overhead tracking of one vehicle say at a tick; returns whether it ends a beacon cycle."""
    sense_imu(plant.vehicles[v], plant.states[v], stamp, noise.imu[tick, v], wires.imu[v])
    tape.imu[v, tape.counts[v, IMU]] = wires.imu[v]
    tape.counts[v, IMU] += 1
    if due(stamp, TRUTH_NS):
        sense_truth(plant.states[v], stamp, wires.truth[v])
        tape.truth[v, tape.counts[v, TRUTH]] = wires.truth[v]
        tape.counts[v, TRUTH] += 1
    cycle_over = ranges_due(plant.world[0].cycle, stamp, start)
    if cycle_over:
        take_ranges(plant.states[v], stamp - plant.world[0].cycle, wires.ranges[v])
        tape.ranges[v, tape.counts[v, RANGES]] = wires.ranges[v]
        tape.counts[v, RANGES] += 1
    return cycle_over


@njit(cache=True)
def ranges_due(cycle: int, stamp: int, start: int) -> bool:
    """As description.Beacons.ranges_due."""
    return bool(stamp % cycle == 0 and stamp - cycle >= start)


@njit(cache=True)
def estimate(flight: Any, wires: Any, tape: Any, v: int, stamp: int, cycle_over: bool, air: float) -> None:
    """One tick of one vehicle's estimator."""
    p, s = flight.estimator[v], flight.estimator_state[v]
    if due(stamp, TEMPERATURE_NS):
        _set_air_temperature(p, s, air)
    _accept_imu(p, s, wires.imu[v])
    if cycle_over:
        _accept_ranges(p, s, wires.ranges[v])
    if due(stamp, ODOMETRY_NS):
        _fill_odometry(p, s, stamp, wires.odometry[v])
        tape.odometry[v, tape.counts[v, ODOMETRY]] = wires.odometry[v]
        tape.counts[v, ODOMETRY] += 1


@njit(cache=True)
def guide(flight: Any, wires: Any, tape: Any, v: int, stamp: int) -> None:
    """One answer of one vehicle's guidance."""
    phase = wires.status[v].phase
    first = wires.status[v].stamp == 0
    p, s = flight.guidance[v], flight.guidance_state[v]
    _guide(p, s, wires.odometry[v], wires.wrench[v], wires.reference[v], wires.status[v])
    tape.wrench[v, tape.counts[v, WRENCH]] = wires.wrench[v]
    tape.counts[v, WRENCH] += 1
    if due(stamp, REFERENCE_NS):
        tape.reference[v, tape.counts[v, REFERENCE]] = wires.reference[v]
        tape.counts[v, REFERENCE] += 1
    status_due = due(stamp, STATUS_NS)
    if status_due:
        wires.status_due[v] = wires.status[v]
    if status_due or first or wires.status[v].phase != phase:
        tape.status[v, tape.counts[v, STATUS]] = wires.status[v]
        tape.counts[v, STATUS] += 1


@njit(cache=True)
def advance_tick(
    plant: Any, flight: Any, wires: Any, noise: Any, tape: Any, tick: int, stamp: int, permit: bool
) -> None:
    """Hand out the schedules sent at `stamp`, then let the plant advance to the next tick."""
    for v in range(len(plant.states)):
        if wires.schedule_sent[v]:
            _accept_commanded(flight.estimator[v], flight.estimator_state[v], wires.schedule[v])
            if permit:
                accept_schedule(plant.vehicles[v], plant.states[v], wires.schedule[v], stamp)
            wires.schedule_sent[v] = 0
        if not permit:
            close_valves(plant.states[v], stamp)
    for v in range(len(plant.states)):
        listen(
            plant.world[0],
            plant.vehicles,
            plant.states,
            v,
            stamp,
            noise.range_normals[tick, v],
            noise.range_uniforms[tick, v],
        )
    advance(plant.world[0], plant.vehicles, plant.world_state[0], plant.states, stamp, noise.valves[tick])
    for v in range(len(plant.states)):
        row = tape.counts[v, VALVE_EDGE]
        tape.counts[v, VALVE_EDGE] = row + take_edges(plant.states[v], tape.edge[v, row:])
