"""A make-believe world for tests of the sequence: vehicles that do what they are told, at once or as a test says."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from testbed.description import messages
from testbed.description.maneuver import Phase
from testbed.plan.commands import Commands, Event
from testbed.plan.configuration import Configuration, load_configuration
from testbed.plan.observation import Contact, Observation, Request
from testbed.plan.sequence import Sequence

PLANS = Path(__file__).resolve().parents[2] / "config" / "plans"
STEP_NS = 100_000_000


def configuration(name: str = "demo") -> Configuration:
    return load_configuration(PLANS / f"{name}.yaml")


def with_run(configuration: Configuration, index: int = 0, **changes: object) -> Configuration:
    """The same configuration with one run changed, and only that run."""
    run = configuration.plan.runs[index].model_copy(update=changes)
    return replace(configuration, plan=configuration.plan.model_copy(update={"runs": (run,), "objectives": ()}))


def odometry(stamp: int, position=(0.0, 0.0, 0.45), orientation=(0.0, 0.0, 0.0, 1.0), variance: float = 1e-6):
    record = np.zeros(1, messages.ODOMETRY)
    record["stamp"], record["position"], record["orientation"] = stamp, position, orientation
    record["pose_covariance"] = variance * np.eye(6)
    return record


@dataclass
class World:
    """Vehicles jump to each goal when their maneuver starts, and report that they hold it `delay` s later."""

    sequence: Sequence
    delay: float = 1.0
    pressure: float = 2.0e7
    gas_per_step: float = 0.0
    stamp: int = messages.LOCKSTEP_START_NS
    poses: dict = field(default_factory=dict)
    maneuvers: dict = field(default_factory=dict)
    events: list[Event] = field(default_factory=list)
    states: list = field(default_factory=list)
    offset: dict = field(default_factory=dict)

    def __post_init__(self) -> None:
        for index, name in enumerate(self.sequence.configuration.vehicles):
            self.poses[name] = ((float(index), 0.0, 0.45), (0.0, 0.0, 0.0, 1.0))

    def observe(self, *requests: Request, **changes: object) -> Observation:
        records, status = {}, {}
        for name, (position, orientation) in self.poses.items():
            place = np.array(position) + np.array(self.offset.get(name, (0.0, 0.0, 0.0)))
            stamps = [self.stamp - 80_000_000 + index * 20_000_000 for index in range(5)]
            records[name] = np.concatenate([odometry(stamp, place, orientation) for stamp in stamps])
            maneuver = self.maneuvers.get(name)
            if maneuver is not None:
                one = np.zeros(1, messages.STATUS)
                held = self.stamp >= maneuver.start + self.delay * 1e9
                one["stamp"], one["number"] = self.stamp, maneuver.number
                one["phase"] = Phase.HOLDING if held else Phase.MOVING
                status[name] = one[0]
        reference = {name: odometry(self.stamp, *pose) for name, pose in self.poses.items()}
        seen = Observation(
            stamp=self.stamp,
            truth=records,
            odometry={name: samples[-1] for name, samples in records.items()},
            reference=reference,
            status=status,
            supply=dict.fromkeys(records, (self.pressure, 293.15)),
            requests=requests,
        )
        return replace(seen, **changes)

    def step(self, *requests: Request, **changes: object) -> Commands:
        commands = self.sequence.step(self.observe(*requests, **changes))
        self.apply(commands)
        return commands

    def apply(self, commands: Commands) -> None:
        self.events += commands.events
        self.states.append(commands.state)
        for name, place in commands.places.items():
            self.poses[name] = (place.position, place.orientation)
        for name, maneuver in commands.maneuvers.items():
            self.maneuvers[name] = maneuver
            if maneuver.kind == "track":
                last = maneuver.waypoints[-1]
                half = np.radians(last.heading_deg) / 2
                self.poses[name] = ((last.x, last.y, last.z), (0.0, 0.0, np.sin(half), np.cos(half)))
            elif maneuver.position is not None:
                self.poses[name] = (maneuver.position, maneuver.orientation)
        self.pressure -= self.gas_per_step
        self.stamp += STEP_NS

    def pressures_at(self, *stamps: int) -> list[float]:
        """Tank pressures that were told at stamps of steps, Pa."""
        return [self.pressure + self.gas_per_step * (self.stamp - stamp) / STEP_NS for stamp in stamps]

    def until(self, *phases: str, limit: int = 20_000) -> Commands:
        for _ in range(limit):
            commands = self.step()
            if commands.state.phase in phases:
                return commands
        raise AssertionError(f"never reached {phases}, but {commands.state}")

    def to_the_end(self, limit: int = 50_000) -> Commands:
        for _ in range(limit):
            commands = self.step()
            if self.sequence.finished:
                return commands
        raise AssertionError(f"never finished: {commands.state}")

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]


START = Request("start")


def contact(stamp: int, force: float, first: str = "wren", second: str = "edge") -> Contact:
    return Contact(stamp, first, second, force, 0.01)
