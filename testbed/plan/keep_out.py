"""Where no vehicle's body may be, and how far a vehicle is from there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import product
from typing import Self

import numpy as np
from numpy.typing import NDArray

from testbed.flight.formation import Zone
from testbed.plan.configuration import Configuration
from testbed.plan.formation_schema import AnyKeepOut, KeepOutCircle


@dataclass(frozen=True)
class KeepOut:
    """The keep-out zones of a session by name, and the contact radius m of each vehicle there."""

    zones: Mapping[str, Zone] = field(default_factory=dict)
    radii: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, configuration: Configuration) -> Self:
        """Those of the plan, along the free axes: discs and rectangles on the table, balls and boxes in the cabin."""
        dimensions = 2 if configuration.place == "table" else 3
        radii = {name: one.contact_radius(configuration.place) for name, one in configuration.vehicles.items()}
        return cls({one.name: _zone(one, dimensions) for one in configuration.plan.keep_out}, radii)

    def clearance(self, vehicle: str, points: NDArray[np.float64]) -> NDArray[np.float64]:
        """Distance (n,) of a vehicle's body to the nearest zone, m; its centre at `points` (n, dimensions) m."""
        nearest = np.full(len(points), np.inf)
        for zone in self.zones.values():
            nearest = np.minimum(nearest, zone.distance(points))
        return nearest - self.radii[vehicle]


def _zone(given: AnyKeepOut, dimensions: int) -> Zone:
    if isinstance(given, KeepOutCircle):
        return Zone.ball((given.x, given.y, given.z)[:dimensions], given.radius)
    return Zone.hull(list(product(*zip(given.low, given.high, strict=True))))
