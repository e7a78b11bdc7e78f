"""The engine: whole ticks of a closed loop, compiled, from one decision of the conductor to the next.

It calls the kernels of model/ and flight/ in the order in which the nodes call them in lockstep, with the same messages
in between, so that both give the same numbers. Python is asked only at steps at which the conductor may decide
something (plan/quiet.py), and for random numbers.

`_nrt=False`: numba does not count who uses the arrays, which cost two atomic operations for each array handed on, and
nearly half of the loop's time. The caller holds all of them as long as a call lasts, and nothing here makes an array
(numba refuses to compile what does). The kernels called here are compiled as ever (`counted`).
"""

from __future__ import annotations

from typing import Any, Final

from numba import njit

from testbed.description.air import celsius, kelvin
from testbed.description.messages import PERIOD_NS, TICK_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.flight import estimation, stuck_valves, thruster_driver
from testbed.flight.guidance import guidance
from testbed.model.battery import read_battery
from testbed.model.edges import fill_open, take_edges
from testbed.model.inertial_sensor import sense_imu
from testbed.model.plant import advance
from testbed.model.ranging import listen, take_ranges
from testbed.model.schedule import accept_schedule, close_valves
from testbed.model.tracking import sense_truth
from testbed.plan.stirs import stirs
from testbed.rehearsal.counted import counted
from testbed.rehearsal.news import keep_news
from testbed.rehearsal.radio import give_out, take_up
from testbed.rehearsal.wiring import (
    IMU,
    ODOMETRY,
    RANGES,
    REFERENCE,
    SCHEDULE,
    STATUS,
    STEP_TICKS,
    TRUTH,
    VALVE_EDGE,
    WRENCH,
)

ODOMETRY_NS: Final = PERIOD_NS["odometry"]
TRUTH_NS: Final = PERIOD_NS["truth"]
REFERENCE_NS: Final = PERIOD_NS["reference"]
ESTIMATE_NS: Final = PERIOD_NS["estimate"]
STATUS_NS: Final = PERIOD_NS["maneuver/status"]
TEMPERATURE_NS: Final = PERIOD_NS["/air/temperature"]
SUPPLY_NS: Final = PERIOD_NS["supply"]
BATTERY_NS: Final = PERIOD_NS["battery"]
VALVES_NS: Final = PERIOD_NS["valves/state"]

_accept_imu = estimation.accept_imu
_accept_ranges = estimation.accept_ranges
_accept_commanded = estimation.accept_schedule
_accept_report = estimation.accept_report
_set_air_temperature = estimation.set_air_temperature
_fill_odometry = estimation.fill_odometry
_fill_disturbance = estimation.fill_disturbance
_celsius, _kelvin = njit(cache=True)(celsius), njit(cache=True)(kelvin)
_guide = guidance.step
_drive = thruster_driver.step
_watch_valves = stuck_valves.accept_report
counted(_accept_imu, _accept_ranges, _accept_commanded, _accept_report, _set_air_temperature, _fill_odometry)
counted(_fill_disturbance, _guide, _drive, _watch_valves, _celsius, _kelvin, due, schedule_due, wrench_due)
counted(accept_schedule, advance, close_valves, fill_open, listen, read_battery, sense_imu, sense_truth, stirs)
counted(take_edges, take_ranges)


@njit(cache=True, _nrt=False)
def run_steps(
    plant: Any,
    flight: Any,
    wires: Any,
    noise: Any,
    tape: Any,
    watch: Any,
    stamp: int,
    first: int,
    pause: int,
    steps: int,
    row: int,
    start: int,
    permit: bool,
    air: float,
) -> tuple[int, bool]:
    """Go from the step of the conductor at `stamp` on to the next one that may decide something, at most `steps` on.

    Returns how many steps on that is, and True; or `pause` and False, where the planner of formations is to be asked
    before it goes on from there as `first`. row: that of the noise for the tick after `stamp`; permit: the conductor's
    permission to fire from `stamp` on; air: measured air temperature, K; stamps ns.
    """
    if first == 0:
        wind_back(tape)
    latch_changes = plant.world_state[0].latch_changes
    for step in range(first, pause):
        now = stamp + step * STEP_TICKS * TICK_NS
        here = now + STEP_TICKS * TICK_NS
        for tick in range(STEP_TICKS):
            at, its_row = now + tick * TICK_NS, row + step * STEP_TICKS + tick
            advance_tick(plant, flight, wires, noise, tape, its_row, at, permit)
            fly_tick(plant, flight, wires, noise, tape, its_row, at + TICK_NS, start, permit, air)
        read_step(plant, flight, wires, tape, step, here)
        if step + 1 == steps or plant.world_state[0].latch_changes != latch_changes:
            return step + 1, True
        if step_stirs(plant, wires, tape, watch, step, here):
            return step + 1, True
        for v in range(len(plant.states)):
            tape.weighed[step, v] = watch.weighed[v]
    return pause, False


@njit(cache=True, forceinline=True, _nrt=False)
def wind_back(tape: Any) -> None:
    """Make the tape empty."""
    tape.counts[:] = 0
    tape.heard_count[0] = 0


@njit(cache=True, _nrt=False)
def read_step(plant: Any, flight: Any, wires: Any, tape: Any, step: int, stamp: int) -> None:
    """Put on the tape what slower topics say at a step of the conductor, at a stamp in ns."""
    for v in range(len(plant.states)):
        state, reading = plant.states[v], tape.readings[step, v]
        reading.pressure, reading.temperature = state.tank_pressure, state.gas_temperature
        reading.told_temperature = _kelvin(_celsius(state.gas_temperature))
        reading.carriage_pressure = state.carriage_pressure
        if due(stamp, BATTERY_NS):
            read_battery(plant.vehicles[v], state, stamp, reading.battery)
        if tape.told[0]:
            row = tape.counts[v, VALVE_EDGE]
            fill_open(plant.vehicles[v], state, stamp, tape.edge[v, row])
            tape.counts[v, VALVE_EDGE] = row + 1
            if due(stamp, ESTIMATE_NS):
                for i in range(3):
                    reading.disturbance[i] = wires.disturbance[v].force[i]
                read_estimate(flight.estimator_state[v], reading)
        for column in range(tape.counts.shape[1]):
            tape.ends[step, v, column] = tape.counts[v, column]


@njit(cache=True, forceinline=True, _nrt=False)
def read_estimate(state: Any, reading: Any) -> None:
    """Fill the part of a READING that an estimator tells beside its odometry."""
    for i in range(3):
        reading.gyro_bias[i] = state.now.gyro_bias[i]
    reading.innovation_count = state.innovation_count
    for k in range(state.innovation_count):
        reading.innovation_beacon[k] = state.innovation_beacon[k]
        reading.innovation_receiver[k] = state.innovation_receiver[k]
        reading.innovation[k] = state.innovation[k]
        reading.innovation_variance[k] = state.innovation_variance[k]
        reading.innovation_accepted[k] = state.innovation_accepted[k]


@njit(cache=True, _nrt=False)
def step_stirs(plant: Any, wires: Any, tape: Any, watch: Any, step: int, stamp: int) -> bool:
    """Whether the conductor must be asked at a step; messages are those that its Observation would hold."""
    references = tape.counts[0, REFERENCE]
    if plant.world_state[0].contact_count > 0 or references == 0:
        return True
    before = tape.ends[step - 1, 0, TRUTH] if step > 0 else 0
    return stirs(
        watch,
        stamp,
        due(stamp, SUPPLY_NS),
        due(stamp, BATTERY_NS),
        tape.readings[step],
        wires.odometry,
        wires.status_due,
        tape.seen[:, before : tape.counts[0, TRUTH]],
        tape.wanted[:, references - 1],
    )


@njit(cache=True, _nrt=False)
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
    give_out(wires, tape, stamp)
    for v in range(len(plant.states)):
        cycle_over = sense(plant, wires, noise, tape, v, tick, stamp, start)
        estimate(flight, wires, tape, v, stamp, cycle_over, air)
        if wrench_due(stamp):
            guide(flight, wires, tape, v, stamp)
            drive(flight, wires, tape, v, stamp, permit)
    take_up(wires, noise.radio[tick], stamp)


@njit(cache=True, forceinline=True, _nrt=False)
def sense(plant: Any, wires: Any, noise: Any, tape: Any, v: int, tick: int, stamp: int, start: int) -> bool:
    """What sensors and overhead tracking of one vehicle say at a tick; returns whether it ends a beacon cycle."""
    sense_imu(plant.world[0], plant.vehicles[v], plant.states[v], stamp, noise.imu[tick, v], wires.imu[v])
    if tape.told[0]:
        tape.imu[v, tape.counts[v, IMU]] = wires.imu[v]
        tape.counts[v, IMU] += 1
    if due(stamp, TRUTH_NS):
        sense_truth(plant.world[0], plant.states[v], stamp, noise.tracking[tick, v], wires.truth[v])
        row = tape.counts[v, TRUTH]
        keep_track(wires.truth[v], tape.seen[v, row])
        if tape.told[0]:
            tape.truth[v, row] = wires.truth[v]
        tape.counts[v, TRUTH] = row + 1
    cycle_over = ranges_due(plant.world[0].cycle, stamp, start)
    if cycle_over:
        take_ranges(plant.states[v], stamp - plant.world[0].cycle, wires.ranges[v])
        if tape.told[0]:
            tape.ranges[v, tape.counts[v, RANGES]] = wires.ranges[v]
            tape.counts[v, RANGES] += 1
    return cycle_over


@njit(cache=True, forceinline=True, _nrt=False)
def ranges_due(cycle: int, stamp: int, start: int) -> bool:
    """As description.Beacons.ranges_due."""
    return bool(stamp % cycle == 0 and stamp - cycle >= start)


@njit(cache=True, forceinline=True, _nrt=False)
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
        keep_odometry(wires, tape, v)
    if due(stamp, ESTIMATE_NS):
        _fill_disturbance(p, s, stamp, wires.disturbance[v])


@njit(cache=True, forceinline=True, _nrt=False)
def keep_odometry(wires: Any, tape: Any, v: int) -> None:
    """Put a vehicle's odometry on the tape, if anybody hears it there."""
    if tape.told[0]:
        row = tape.counts[v, ODOMETRY]
        tape.odometry[v, row] = wires.odometry[v]
        tape.counts[v, ODOMETRY] = row + 1


@njit(cache=True, forceinline=True, _nrt=False)
def keep_track(odometry: Any, track: Any) -> None:
    """Fill one track.TRACK."""
    track.stamp = odometry.stamp
    for i in range(3):
        track.position[i] = odometry.position[i]
    for i in range(4):
        track.orientation[i] = odometry.orientation[i]


@njit(cache=True, forceinline=True, _nrt=False)
def guide(flight: Any, wires: Any, tape: Any, v: int, stamp: int) -> None:
    """One answer of one vehicle's guidance."""
    phase = wires.status[v].phase
    first = wires.status[v].stamp == 0
    p, s = flight.guidance[v], flight.guidance_state[v]
    _guide(p, s, wires.odometry[v], wires.disturbance[v], wires.wrench[v], wires.reference[v], wires.status[v])
    keep_answer(wires, tape, v, stamp, phase, first)


@njit(cache=True, forceinline=True, _nrt=False)
def drive(flight: Any, wires: Any, tape: Any, v: int, stamp: int, permit: bool) -> None:
    """One answer of one vehicle's thruster driver to a wrench, where a schedule is due."""
    if schedule_due(stamp, flight.modulation_period[v]):
        p, s = flight.driver[v], flight.driver_state[v]
        _drive(p, s, wires.odometry[v], wires.partners[v], wires.wrench[v], permit, wires.schedule[v])
        wires.schedule_sent[v] = 1
        if tape.told[0]:
            row = tape.counts[v, SCHEDULE]
            tape.schedule[v, row] = wires.schedule[v]
            tape.schedule_at[v, row] = stamp
            tape.counts[v, SCHEDULE] = row + 1
        keep_news(s, tape, v)


@njit(cache=True, forceinline=True, _nrt=False)
def keep_answer(wires: Any, tape: Any, v: int, stamp: int, phase: int, first: bool) -> None:
    """Put what guidance has answered on the tape; phase: that before; first: whether it is its first answer."""
    if tape.told[0]:
        tape.wrench[v, tape.counts[v, WRENCH]] = wires.wrench[v]
        tape.counts[v, WRENCH] += 1
    if due(stamp, REFERENCE_NS):
        row = tape.counts[v, REFERENCE]
        keep_track(wires.reference[v], tape.wanted[v, row])
        if tape.told[0]:
            tape.reference[v, row] = wires.reference[v]
        tape.counts[v, REFERENCE] = row + 1
    status_due = due(stamp, STATUS_NS)
    if status_due:
        wires.status_due[v] = wires.status[v]
    if tape.told[0] and (status_due or first or wires.status[v].phase != phase):
        tape.status[v, tape.counts[v, STATUS]] = wires.status[v]
        tape.counts[v, STATUS] += 1


@njit(cache=True, _nrt=False)
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
    advance_plant(plant, noise, tick, stamp)
    for v in range(len(plant.states)):
        if flight.estimator[v].valves_reported:
            report_valves(plant, flight, wires, v, stamp + TICK_NS)
        if tape.told[0]:
            row = tape.counts[v, VALVE_EDGE]
            row += take_edges(plant.vehicles[v], plant.states[v], tape.edge[v, row:])
            if flight.estimator[v].valves_reported and not due(stamp + TICK_NS, VALVES_NS):  # those: read_step
                fill_open(plant.vehicles[v], plant.states[v], stamp + TICK_NS, tape.edge[v, row])
                row += 1
            tape.counts[v, VALVE_EDGE] = row


@njit(cache=True, forceinline=True, _nrt=False)
def report_valves(plant: Any, flight: Any, wires: Any, v: int, stamp: int) -> None:
    """Tell a vehicle's estimator and driver, at a tick, the edges since the last and then which valves are open."""
    p, s, reports = flight.estimator[v], flight.estimator_state[v], wires.reports[v]
    count = take_edges(plant.vehicles[v], plant.states[v], reports[:-1])
    fill_open(plant.vehicles[v], plant.states[v], stamp, reports[count])
    for k in range(count + 1):
        _accept_report(p, s, reports[k])
        _watch_valves(flight.driver[v].watch, flight.driver_state[v].watch, reports[k])


@njit(cache=True, forceinline=True, _nrt=False)
def advance_plant(plant: Any, noise: Any, tick: int, stamp: int) -> None:
    """Let the plant advance from `stamp` by one tick, taking in its chirps; `tick` is the row of the noise."""
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
