"""The flight side of a session: estimator, guidance and thruster driver of every vehicle."""

from __future__ import annotations

import numpy as np

from testbed.flight.estimation import Estimator
from testbed.flight.guidance import Guidance
from testbed.flight.modulation import windows_of
from testbed.flight.thruster_driver import ThrusterDriver
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits
from testbed.plan.separation import company
from testbed.rehearsal.wiring import FlightArrays


def flight_arrays(configuration: Configuration) -> FlightArrays:
    """A new flight side for every vehicle of a session."""
    place, axes = configuration.place, configuration.active_axes
    vehicles = list(configuration.vehicles.values())
    beacons, noise, room = configuration.beacons, configuration.noise, configuration.room
    estimators = [Estimator(one, beacons, noise, place, axes, room) for one in vehicles]
    guidances = [Guidance(one, place, axes) for one in vehicles]
    drivers = [_driver(configuration, name) for name in configuration.vehicles]
    return FlightArrays(
        np.concatenate([one.parameters for one in estimators]),
        np.concatenate([one.state for one in estimators]),
        np.concatenate([one.parameters for one in guidances]),
        np.concatenate([one.state for one in guidances]),
        np.concatenate([one.parameters for one in drivers]),
        np.concatenate([one.state for one in drivers]),
        np.array([one.modulation_period for one in drivers], np.int64),
    )


def _driver(configuration: Configuration, name: str) -> ThrusterDriver:
    vehicle, place, axes = configuration.vehicles[name], configuration.place, configuration.active_axes
    windows = windows_of(vehicle, configuration.beacons, configuration.room)
    limits = flight_limits(configuration, name)
    return ThrusterDriver(vehicle, place, axes, limits, windows, company(configuration, name))
