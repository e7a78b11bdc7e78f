"""Every compiled call that a node makes from Python, once; to numba its arguments differ from the engine's."""

from __future__ import annotations

import numpy as np

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS
from testbed.flight.estimation import Estimator
from testbed.flight.guidance import Guidance
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.model.edges import EDGE
from testbed.model.faults import Faults
from testbed.plan.configuration import Configuration
from testbed.rehearsal.build import build_plant


def call_each_kernel(configuration: Configuration) -> None:
    """Call what nodes/plant.py, estimator.py, guidance.py and thruster_driver.py call, on a session of their own."""
    _call_plant(configuration)
    vehicle = next(iter(configuration.vehicles.values()))
    place, axes = configuration.place, configuration.active_axes
    estimator = Estimator(vehicle, configuration.beacons, configuration.noise, place, axes, configuration.room)
    guidance, driver = Guidance(vehicle, place, axes), ThrusterDriver(vehicle, place, axes)
    imu, ranges, wrench, reference, status, schedule, maneuver, trajectory = (
        np.zeros(1, dtype)
        for dtype in (
            messages.IMU,
            messages.RANGES,
            messages.WRENCH,
            messages.ODOMETRY,
            messages.STATUS,
            messages.SCHEDULE,
            messages.MANEUVER,
            messages.TRAJECTORY,
        )
    )
    imu[0]["stamp"] = LOCKSTEP_START_NS
    estimator.accept_schedule(schedule[0])
    estimator.accept_report(np.zeros(1, messages.VALVES)[0])
    estimator.set_air_temperature(294.0)
    estimator.accept_imu(imu[0])
    estimator.accept_ranges(ranges[0])
    odometry = np.zeros(1, messages.ODOMETRY)
    odometry[0] = estimator.output(LOCKSTEP_START_NS)
    maneuver[0]["number"] = 1
    guidance.accept_maneuver(maneuver)
    guidance.accept_trajectory(trajectory)
    guidance.step(odometry, estimator.disturbance(LOCKSTEP_START_NS), wrench, reference, status)
    driver.accept_report(np.zeros(1, messages.VALVES))
    driver.step(odometry, wrench, True, schedule)
    driver.step(odometry, wrench, False, schedule)


def _call_plant(configuration: Configuration) -> None:
    plant, draws = build_plant(configuration)
    imu, truth, ranges, schedule = (
        np.zeros(1, dtype) for dtype in (messages.IMU, messages.ODOMETRY, messages.RANGES, messages.SCHEDULE)
    )
    edges = np.zeros(8, EDGE)
    stamp = LOCKSTEP_START_NS
    plant.accept_schedule(0, schedule[0], stamp)
    plant.close_valves(0, stamp)
    plant.command_latch(0, 0, False, stamp)
    Faults(plant, list(configuration.vehicles.values()))
    plant.place(0, np.zeros(3), np.array([0.0, 0.0, 0.0, 1.0]), stamp)
    plant.listen(0, stamp, draws.range_normals(1)[0][0], draws.range_uniforms(1)[0][0])
    plant.advance(stamp, draws.valves(1)[0])
    plant.sense_imu(0, stamp, draws.imu(1)[0][0], imu[0])
    plant.sense_truth(0, stamp, draws.tracking(1)[0][0], truth[0])
    plant.read_motion(0, stamp, truth[0])
    plant.take_ranges(0, stamp, ranges[0])
    plant.take_edges(0, edges)
    plant.fill_open(0, stamp, edges[0])
    plant.read_battery(0, stamp, np.zeros(1, messages.BATTERY)[0])
    plant.tank_pressure(0)
