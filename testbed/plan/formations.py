"""The formations of a session as their planner works with them: places, distances, limits, area and zones."""

from __future__ import annotations

from itertools import product
from typing import Final

import numpy as np

from testbed.flight.formation import Area, Keeping, Limits, Zone
from testbed.flight.formation.given import FormationTask
from testbed.plan.authority import weakest_force
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import fastest_planned, room_area
from testbed.plan.formation_schema import AnyKeepOut, KeepOutCircle
from testbed.plan.formation_slots import Arrangement
from testbed.plan.poses import RunPoses, planned_poses
from testbed.plan.schema import Run

MARGIN: Final = 0.06
"""Distance between two vehicles that plans add to what the room requires, for the errors of both, m."""
SPARE: Final = 0.06
"""What plans add to that where there is room, which leaves time to plan anew for one that lags, m."""


def formation_tasks(configuration: Configuration) -> dict[tuple[str, str], FormationTask]:
    """Every formation that a run flies, by run and name; `testbed.plan.check` must have found nothing wrong."""
    runs = zip(configuration.plan.runs, planned_poses(configuration), strict=True)
    return {
        (run.name, name): formation_task(configuration, run, poses, name)
        for run, poses in runs
        for name in poses.places
    }


def formation_task(configuration: Configuration, run: Run, poses: RunPoses, name: str) -> FormationTask:
    """One formation of a run. Its limits are what guidance plans moves with, in the vehicle's weakest direction."""
    arrangement = Arrangement.of(configuration, name)
    taken = poses.places[name]
    return FormationTask(
        name=name,
        run=run.name,
        places={vehicle: arrangement.place(index, vehicle) for vehicle, index in taken.items()},
        limits={vehicle: limits(configuration, run, vehicle) for vehicle in taken},
        keeping=keeping(configuration),
        area=area(configuration),
        frame=arrangement.frame,
        leader=arrangement.leader,
        zones=zones(configuration),
        axes=tuple(range(arrangement.dimensions)),
    )


def limits(configuration: Configuration, run: Run, vehicle: str) -> Limits:
    """What a vehicle is planned with: the share of its thrust that guidance plans with, and its planned speed."""
    described, place = configuration.vehicles[vehicle], configuration.place
    push = described.control.authority * weakest_force(described, place)
    speed = fastest_planned(configuration, run)[vehicle].speed
    return Limits(acceleration=push / described.mass_properties(place).mass, speed=speed)


def keeping(configuration: Configuration) -> Keeping:
    """Distances that formations keep: those of the room, and of the largest vehicle's body to a zone."""
    radii = [vehicle.contact_radius(configuration.place) for vehicle in configuration.vehicles.values()]
    return Keeping(required=configuration.room.separation, margin=MARGIN, body=max(radii), spare=SPARE)


def area(configuration: Configuration) -> Area:
    """Where the centres of all vehicles may be: the work area of the plan's limits, else the room's."""
    asked = configuration.plan.limits.work_area
    corners = [asked or room_area(configuration, vehicle) for vehicle in configuration.vehicles]
    low, high = (np.array([corner[side] for corner in corners]) for side in (0, 1))
    return Area.box(low.max(axis=0).tolist(), high.min(axis=0).tolist())


def zones(configuration: Configuration) -> tuple[Zone, ...]:
    """The keep-out zones of the plan, along the free axes."""
    dimensions = 2 if configuration.place == "table" else 3
    return tuple(_zone(one, dimensions) for one in configuration.plan.keep_out)


def _zone(given: AnyKeepOut, dimensions: int) -> Zone:
    if isinstance(given, KeepOutCircle):
        return Zone.ball((given.x, given.y, given.z)[:dimensions], given.radius)
    return Zone.hull(list(product(*zip(given.low, given.high, strict=True))))
