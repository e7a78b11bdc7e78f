"""Where a plan's formation has its places, who takes which, and where its frame is."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from testbed.description import rotation
from testbed.flight.formation import Frame, Slot, assign, line, ring
from testbed.flight.formation.given import Place
from testbed.plan.configuration import Configuration
from testbed.plan.formation_schema import Formation, LeaderFrame, Line, MovingFrame, PlaceList, Ring, full
from testbed.plan.maneuvers import FormationStep
from testbed.plan.schema import Run

Position = tuple[float, float, float]
Orientation = tuple[float, float, float, float]


@dataclass(frozen=True)
class Arrangement:
    """A formation of a session's plan; `heights`: what the table holds each vehicle at, m, empty in the cabin."""

    name: str
    formation: Formation
    heights: Mapping[str, float]
    dimensions: int

    @classmethod
    def of(cls, configuration: Configuration, name: str) -> Self:
        """The formation of that name."""
        vehicles = configuration.vehicles.items() if configuration.place == "table" else ()
        heights = {vehicle: described.shape.floor_height for vehicle, described in vehicles}
        return cls(name, configuration.plan.formations[name], heights, 2 if heights else 3)

    @property
    def leader(self) -> str | None:
        """Whose pose is the frame, if anyone's."""
        frame = self.formation.frame
        return frame.vehicle if isinstance(frame, LeaderFrame) else None

    @property
    def frame(self) -> Frame | None:
        """The frame at its time 0, at height 0 on the table; None for a leader's."""
        given = self.formation.frame
        if isinstance(given, LeaderFrame):
            return None
        z = given.z if self.dimensions == 3 else 0.0
        still = Frame.at_point((given.x, given.y, z), math.radians(given.heading_deg))
        if not isinstance(given, MovingFrame):
            return still
        return replace(still, velocity=full(given.velocity), rate=(0.0, 0.0, math.radians(given.turn_deg)))

    def place(self, index: int, vehicle: str) -> Place:
        """One of the places in the frame, as a vehicle takes it: on the table at the vehicle's own height."""
        place = places(self.formation)[index]
        if self.dimensions == 3:
            return place
        x, y, _ = place.position
        return replace(place, position=(x, y, self.heights[vehicle] - self.heights.get(self.leader or "", 0.0)))

    def choose(
        self, frame: Frame, time: float, setting_out: Mapping[str, Position], taken: Mapping[str, int]
    ) -> dict[str, int]:
        """Place (index) of each vehicle that sets out from a position, m, for a frame as it is then, and as `taken`.

        Its own, where it has one; else by the least sum of squared ways among the places that are nobody's own and
        that nobody has taken. On the table heights do not count.
        """
        own = owners(self.formation)
        names = [*taken, *setting_out]
        settled = {**own, **taken}
        absent = {place for name, place in own.items() if name not in names}
        every = places(self.formation)
        free = [index for index in range(len(every)) if index not in absent]
        starts = np.array([setting_out.get(name, (0.0, 0.0, 0.0)) for name in names])
        ends = np.array([where(every[index].slot(frame), time)[0] for index in free])
        pinned = {k: free.index(settled[name]) for k, name in enumerate(names) if name in settled}
        found = assign(self._free(starts), self._free(ends), pinned)
        return {name: free[int(place)] for name, place in zip(names, found, strict=True)}

    def _free(self, positions: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(np.arange(3) < self.dimensions, positions, 0.0)


def places(formation: Formation) -> tuple[Place, ...]:
    """All places of a formation in its frame."""
    count = len(formation.vehicles)
    match formation.slots:
        case Line(spacing=spacing, direction_deg=direction):
            along = math.radians(direction)
            found = line(count, spacing, (math.cos(along), math.sin(along), 0.0))
        case Ring(spacing=spacing):
            found = ring(count, spacing)
        case PlaceList(places=listed):
            headings = [formation.heading_deg if one.heading_deg is None else one.heading_deg for one in listed]
            return tuple(
                Place((one.x, one.y, one.z), rotation.from_heading(math.radians(heading)))
                for one, heading in zip(listed, headings, strict=True)
            )
    heading = rotation.from_heading(math.radians(formation.heading_deg))
    return tuple(Place((float(x), float(y), float(z)), heading) for x, y, z in found)


def owners(formation: Formation) -> dict[str, int]:
    """The place (index) of each vehicle that has one of its own."""
    if not isinstance(formation.slots, PlaceList):
        return {}
    return {one.vehicle: index for index, one in enumerate(formation.slots.places) if one.vehicle is not None}


def where(slot: Slot, time: float) -> tuple[Position, Orientation]:
    """Position m and orientation of a slot at a time, s."""
    moment = np.array([time])
    x, y, z = slot.at(moment)[0][0].tolist()
    qx, qy, qz, qw = slot.orientations(moment)[0].as_quat().tolist()
    return (x, y, z), (qx, qy, qz, qw)


def elapsed(run: Run, name: str, index: int) -> float:
    """Time of a formation's frame, s, before the steps of this index: as long as it was flown in those before."""
    flown = [[steps[i] for steps in run.maneuvers.values() if i < len(steps)] for i in range(index)]
    return sum(
        max(
            (step.duration for step in steps if isinstance(step, FormationStep) and step.formation == name), default=0.0
        )
        for steps in flown
    )
