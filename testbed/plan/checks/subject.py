"""What the checks look at: the configuration, its poses and its timelines, worked out once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from testbed.description.source import Source
from testbed.description.table import Table
from testbed.plan.configuration import PLAN_ROLE, Configuration
from testbed.plan.poses import RunPoses, planned_poses
from testbed.plan.schema import Run
from testbed.plan.timeline import Timeline, timeline


@dataclass(frozen=True)
class Subject:
    """A configuration on the table."""

    configuration: Configuration
    table: Table
    poses: tuple[RunPoses, ...]
    timelines: tuple[Timeline, ...]

    @classmethod
    def of(cls, configuration: Configuration, table: Table) -> Subject:
        """Work out poses and timelines."""
        poses = planned_poses(configuration)
        runs = zip(configuration.plan.runs, poses, strict=True)
        return cls(configuration, table, poses, tuple(timeline(configuration, run, one) for run, one in runs))

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
