"""What every figure of a try is drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.plan.samples import TrySamples
from testbed.plan.schema import Run
from testbed.record.load import Recording, VehicleRecord
from testbed.report.figures.style import Look, looks
from testbed.report.samples import between


@dataclass(frozen=True)
class TryContext:
    """A try with all that was recorded; time in its figures is in s since it began."""

    recording: Recording
    configuration: Configuration
    run: Run
    samples: TrySamples
    coasts: Mapping[str, Any] = field(default_factory=dict)
    """By vehicle, where a stop ended this try: the predicted coast as the event `stop` tells it."""

    @property
    def vehicles(self) -> dict[str, Look]:
        """Every vehicle of the try and its look."""
        every = looks(tuple(self.configuration.vehicles))
        return {name: every[name] for name in self.samples.vehicles if name in self.recording.vehicles}

    @property
    def duration(self) -> float:
        """How long the try took, s."""
        return (self.samples.end - self.samples.start) / NS_PER_S

    def time(self, stamps: NDArray[np.int64] | int) -> NDArray[np.float64]:
        """Time since the try began, s."""
        return np.asarray((np.asarray(stamps) - self.samples.start) / NS_PER_S)

    def record(self, vehicle: str) -> VehicleRecord:
        """All that was recorded of a vehicle."""
        return self.recording.vehicles[vehicle]

    def during(self, records: NDArray[np.void]) -> NDArray[np.void]:
        """Records of the try alone."""
        return between(records, self.samples.start, self.samples.end)


def thinned(records: NDArray[np.void], period: float) -> NDArray[np.void]:
    """At most one record per `period` s, and the last."""
    if not len(records):
        return records
    slots = records["stamp"] // round(period * NS_PER_S)
    kept = np.append(slots[1:] != slots[:-1], True)
    kept[0] = True
    return records[kept]


def headings(records: NDArray[np.void]) -> NDArray[np.float64]:
    """Heading about z of each record's orientation, rad."""
    x, y, z, w = records["orientation"].T
    return np.asarray(np.arctan2(2.0 * (w * z + x * y), 1.0 - 2.0 * (y * y + z * z)))
