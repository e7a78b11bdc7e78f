"""Collects what one step of the sequence commands, and numbers it over the whole session."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from testbed.description.maneuver import Maneuver
from testbed.plan.commands import Event, Place
from testbed.plan.poses import PlannedPose


class Outgoing:
    """Places, maneuvers and events of the step at hand; the newest number of each vehicle; the last decision."""

    def __init__(self, vehicles: Iterable[str]) -> None:
        self.maneuver_numbers: dict[str, int] = dict.fromkeys(vehicles, 0)
        self.place_numbers: dict[str, int] = dict.fromkeys(self.maneuver_numbers, 0)
        self.decision = "Waiting for the start"
        self.run, self.attempt = "", 0
        self.begin(0)

    def begin(self, stamp: int) -> None:
        """Begin a step: forget what the one before commanded."""
        self.stamp = stamp
        self.places: dict[str, Place] = {}
        self.maneuvers: dict[str, Maneuver] = {}
        self.events: list[Event] = []

    def decide(self, text: str) -> None:
        """Say what was just decided, in one sentence."""
        self.decision = text

    def event(self, kind: str, /, **data: Any) -> None:
        """Report an event of the run and try at hand."""
        self.events.append(Event(self.stamp, kind, self.run, self.attempt, data))

    def place(self, vehicle: str, pose: PlannedPose) -> None:
        """Put a vehicle somewhere."""
        self.place_numbers[vehicle] += 1
        self.places[vehicle] = Place(self.place_numbers[vehicle], pose.position, pose.orientation)
        self.event("placed", vehicle=vehicle, position=pose.position, orientation=pose.orientation)

    def give(self, maneuvers: Mapping[str, Maneuver]) -> None:
        """Give maneuvers that carry the next number of their vehicle."""
        for vehicle, maneuver in maneuvers.items():
            self.maneuver_numbers[vehicle] = maneuver.number
            self.maneuvers[vehicle] = maneuver
            self.event("maneuver_given", vehicle=vehicle, maneuver=maneuver.model_dump(mode="json"))

    def hold(self, start: int, expiry: int, poses: Mapping[str, PlannedPose] | None = None) -> None:
        """Give all vehicles a hold: at a pose each, or without poses where braking under control takes them."""
        for vehicle, number in self.maneuver_numbers.items():
            pose = poses.get(vehicle) if poses else None
            hold = Maneuver(
                number=number + 1,
                run=self.run,
                attempt=max(1, self.attempt),
                kind="hold",
                start=start,
                expiry=expiry,
                position=pose.position if pose else None,
                orientation=pose.orientation if pose else None,
            )
            self.give({vehicle: hold})
