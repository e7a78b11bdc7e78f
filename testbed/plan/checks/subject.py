"""What the checks look at: the configuration, its poses and its timelines, worked out once."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

from testbed.description.source import Source
from testbed.plan.configuration import PLAN_ROLE, Configuration
from testbed.plan.flight_limits import Area, room_area
from testbed.plan.poses import PlannedPose, RunPoses, planned_poses
from testbed.plan.schema import Run
from testbed.plan.timeline import Timeline, timeline


@dataclass(frozen=True)
class _Known:
    """A configuration that is the same for the cache where all its values are."""

    plan_hash: str
    configuration: Configuration = field(compare=False)


@lru_cache(maxsize=8)
def _worked_out(known: _Known) -> tuple[tuple[RunPoses, ...], tuple[Timeline, ...]]:
    """Poses and timelines, kept because a change of formation takes some 50 ms to plan."""
    poses = planned_poses(known.configuration)
    runs = zip(known.configuration.plan.runs, poses, strict=True)
    return poses, tuple(timeline(known.configuration, run, one) for run, one in runs)


@dataclass(frozen=True)
class Subject:
    """A configuration on a table or in a cabin."""

    configuration: Configuration
    poses: tuple[RunPoses, ...]
    timelines: tuple[Timeline, ...]

    @classmethod
    def of(cls, configuration: Configuration) -> Subject:
        """Work out poses and timelines."""
        return cls(configuration, *_worked_out(_Known(configuration.plan_hash, configuration)))

    @property
    def place(self) -> Literal["table", "cabin"]:
        """Where it is."""
        return self.configuration.place

    @property
    def separation(self) -> float:
        """Distance that the room requires between vehicles, centre to centre, m."""
        return self.configuration.room.separation

    def apart(self, first: PlannedPose, second: PlannedPose) -> float:
        """Distance of two poses, m; on the table heights do not count."""
        return math.dist(first.position[: self.dimensions], second.position[: self.dimensions])

    @property
    def dimensions(self) -> int:
        """Components of a position that are free: 2 on the table, 3 in the cabin."""
        return 2 if self.place == "table" else 3

    def area(self, vehicle: str) -> Area:
        """Lower and upper corner of where a vehicle's centre may be asked for, m."""
        return room_area(self.configuration, vehicle)

    @property
    def source(self) -> Source:
        """The plan's file."""
        return self.configuration.sources[PLAN_ROLE]

    @property
    def runs(self) -> Iterator[tuple[int, Run, RunPoses, Timeline]]:
        """Each run with its index, poses and timeline."""
        everything = zip(self.configuration.plan.runs, self.poses, self.timelines, strict=True)
        for index, (run, poses, times) in enumerate(everything):
            yield index, run, poses, times
