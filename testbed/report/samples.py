"""The samples of one try, out of a recording."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.plan.keep_out import KeepOut
from testbed.plan.poses import PlannedPose
from testbed.plan.samples import TrySamples
from testbed.plan.track import track
from testbed.record.load import Recording, VehicleRecord

MARGIN_NS = NS_PER_S
"""Samples this much before and after a try are kept: some criteria look at the last one before it."""


def between(records: NDArray[np.void], start: int, end: int) -> NDArray[np.void]:
    """Records with a stamp from `start` to `end`, both included; sorted by stamp as they are."""
    first, last = np.searchsorted(records["stamp"], [start, end + 1])
    return records[first:last]


def try_samples(
    recording: Recording, configuration: Configuration, goals: Mapping[str, PlannedPose], start: int, end: int
) -> TrySamples:
    """Put together what the criteria of a try from stamp `start` to `end` (ns) look at."""

    def kept(records: NDArray[np.void]) -> NDArray[np.void]:
        return between(records, start - MARGIN_NS, end + MARGIN_NS)

    vehicles = {name: recording.vehicles[name] for name in goals if name in recording.vehicles}
    return TrySamples(
        start=start,
        end=end,
        dimensions=2 if configuration.place == "table" else 3,
        goals=goals,
        truth={name: track(kept(evaluated_track(vehicle))) for name, vehicle in vehicles.items()},
        reference={name: track(kept(vehicle.reference)) for name, vehicle in vehicles.items()},
        gas={name: kept(vehicle.gas(configuration.vehicles[name].gas)) for name, vehicle in vehicles.items()},
        contacts=recording.contacts,
        keep_out=KeepOut.of(configuration),
    )


def evaluated_track(vehicle: VehicleRecord) -> NDArray[np.void]:
    """Truth; the estimate for a vehicle that nobody tracked."""
    return vehicle.truth if len(vehicle.truth) else vehicle.odometry
