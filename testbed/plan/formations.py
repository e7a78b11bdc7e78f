"""The formations of a session as their planner works with them: places, distances, limits, area and zones."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from testbed.flight.formation import Area, Keeping, Limits
from testbed.flight.formation.given import FormationTask
from testbed.plan.authority import weakest_force, weakest_torque
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import fastest_planned, room_area
from testbed.plan.formation_slots import Arrangement
from testbed.plan.keep_out import KeepOut
from testbed.plan.maneuvers import RATE_LIMIT_DEG
from testbed.plan.poses import RunPoses, planned_poses
from testbed.plan.schema import Run
from testbed.plan.separation import kept_standing

MARGIN: Final = 0.06
"""Distance between two vehicles that plans add to what the room requires, for the errors of both, m."""
SPARE: Final = 0.06
"""What plans add to that where there is room, which leaves time to plan anew for one that lags, m."""
PASSING: Final = 0.2
"""The same where safety filters fly: nearer to each other they slow down who passes at the speeds of the table, m."""
EDGE: Final = 0.06
"""What the guard needs of room beside a vehicle that flies along an edge at the speeds of the table, m."""
TURNING_SHARE: Final = 0.25
"""Share of the torque that guidance plans turns with that is planned for turning on the way, when valves push too."""
LEAST_RATE: Final = math.radians(0.1)
"""At which a vehicle turns where its frame turns as fast as it may, which `testbed check` refuses, rad/s."""


def formation_tasks(configuration: Configuration) -> dict[tuple[str, str], FormationTask]:
    """Every formation that a run flies, by run and name; `testbed.plan.check` must have found nothing wrong."""
    runs = zip(configuration.plan.runs, planned_poses(configuration), strict=True)
    flown = [(run, poses, name) for run, poses in runs for name in poses.places]
    kept = keeping(configuration) if flown else None  # the same for all, and slow to find
    return {(run.name, name): formation_task(configuration, run, poses, name, kept) for run, poses, name in flown}


def formation_task(
    configuration: Configuration, run: Run, poses: RunPoses, name: str, kept: Keeping | None = None
) -> FormationTask:
    """One formation of a run. Its limits are what guidance plans moves with, in the vehicle's weakest direction.

    kept: what `keeping` gives, where that is known.
    """
    arrangement = Arrangement.of(configuration, name)
    taken = poses.places[name]
    turn_rate, turn_acceleration = turning(configuration, run, arrangement)
    return FormationTask(
        name=name,
        run=run.name,
        places={vehicle: arrangement.place(index, vehicle) for vehicle, index in taken.items()},
        limits={vehicle: limits(configuration, run, vehicle) for vehicle in taken},
        keeping=kept or keeping(configuration),
        area=area(configuration),
        frame=arrangement.frame,
        leader=arrangement.leader,
        zones=tuple(KeepOut.of(configuration).zones.values()),
        axes=tuple(range(arrangement.dimensions)),
        turn_rate=turn_rate,
        turn_acceleration=turn_acceleration,
    )


def turning(configuration: Configuration, run: Run, arrangement: Arrangement) -> tuple[float, float]:
    """Rate rad/s and acceleration rad/s² at which vehicles turn on their way, at most, relative to the frame."""
    most, frame = fastest_planned(configuration, run), arrangement.frame
    turn = 0.0 if frame is None else math.hypot(*frame.rate)
    rates, accelerations = [math.radians(RATE_LIMIT_DEG)], []
    for name in arrangement.formation.vehicles:
        described = configuration.vehicles[name]
        tensor = described.mass_properties(configuration.place).inertia_tensor()
        inertia = tensor[2, 2] if configuration.place == "table" else max(np.linalg.eigvalsh(tensor))
        torque = described.control.authority * weakest_torque(described, configuration.place)
        rates.append(max(most[name].rate - turn, LEAST_RATE))
        accelerations.append(TURNING_SHARE * torque / float(inertia))
    return min(rates), min(accelerations)


def limits(configuration: Configuration, run: Run, vehicle: str) -> Limits:
    """What a vehicle is planned with: the share of its thrust that guidance plans with, and its planned speed."""
    described, place = configuration.vehicles[vehicle], configuration.place
    push = described.control.authority * weakest_force(described, place)
    speed = fastest_planned(configuration, run)[vehicle].speed
    return Limits(acceleration=push / described.mass_properties(place).mass, speed=speed)


def keeping(configuration: Configuration) -> Keeping:
    """Distances that formations keep: those of the room and of safety filters, and of the largest body to a zone."""
    radii = [vehicle.contact_radius(configuration.place) for vehicle in configuration.vehicles.values()]
    standing = let_stand(configuration)
    return Keeping(
        required=configuration.room.separation,
        margin=MARGIN,
        body=max(radii),
        spare=PASSING if standing else SPARE,
        undisturbed=max(standing) + MARGIN if standing else 0.0,
        edge=EDGE,
    )


def let_stand(configuration: Configuration) -> list[float]:
    """How near the safety filters let any two stand, m; nothing where one cannot keep apart, which the check tells."""
    try:
        return [one for name in configuration.vehicles for one in kept_standing(configuration, name).values()]
    except ValueError:
        return []


def area(configuration: Configuration) -> Area:
    """Where the centres of all vehicles may be: the work area of the plan's limits, else the room's."""
    asked = configuration.plan.limits.work_area
    corners = [asked or room_area(configuration, vehicle) for vehicle in configuration.vehicles]
    low, high = (np.array([corner[side] for corner in corners]) for side in (0, 1))
    return Area.box(low.max(axis=0).tolist(), high.min(axis=0).tolist())
