"""Which maneuver each vehicle flies in a try, and when the next one is due."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Final, NamedTuple

from testbed.description.maneuver import Maneuver, Phase, Waypoint
from testbed.description.messages import NS_PER_S
from testbed.plan.flight_limits import Fastest
from testbed.plan.maneuvers import RATE_LIMIT_DEG, SPEED_LIMIT, FormationStep, Hold, Rotate, Step, Track, Translate
from testbed.plan.poses import PlannedPose, RunPoses
from testbed.plan.schema import Run

START_GRID_NS: Final = NS_PER_S // 10
START_LEAD_NS: Final = NS_PER_S // 5
"""A maneuver starts at the first multiple of 0.1 s that is at least 0.2 s away, so that it has arrived by then."""
NEVER: Final = 2**63 - 1
"""A stamp that does not come."""


class Awaited(NamedTuple):
    """A maneuver is done at this stamp (ns), or when guidance holds the one of this number."""

    stamp: int = NEVER
    number: int = -1


GAS_DEADBAND: Final = 0.015
"""A move by gas lets the vehicle stray so far from its reference, m, rather than spend gas on staying close."""
GAS_DEADBAND_DEG: Final = 1.5


class Progress:
    """The maneuvers of one try. `most`: limits of moves by time and by gas; `expiry` (stamp ns) is that of all."""

    def __init__(self, run: Run, poses: RunPoses, most: Mapping[str, Fastest], attempt: int, expiry: int) -> None:
        self._run, self._poses, self._most, self._attempt, self._expiry = run, poses, most, attempt, expiry
        self._lists = {name: run.steps(name) for name in poses.start}
        self._index = dict.fromkeys(self._lists, -1)
        self._given: dict[str, Maneuver] = {}

    @property
    def complete(self) -> bool:
        """Whether every vehicle has done all its maneuvers."""
        return all(self._index[name] >= len(steps) for name, steps in self._lists.items())

    def advance(self, stamp: int, status: Mapping[str, Any], numbers: Mapping[str, int]) -> dict[str, Maneuver]:
        """Return the maneuvers to be given now; `numbers` are the newest given, `status` the latest of guidance."""
        done = [name for name in self._lists if self._done(name, stamp, status.get(name))]
        if self._run.together and len(done) < sum(
            self._index[name] < len(steps) for name, steps in self._lists.items()
        ):
            return {}
        new = {}
        for name in done:
            self._index[name] += 1
            if self._index[name] < len(self._lists[name]):
                new[name] = self._given[name] = self._maneuver(name, stamp, numbers.get(name, 0) + 1)
        return new

    def _done(self, name: str, stamp: int, status: Any) -> bool:
        """Whether the vehicle's maneuver is over and its list is not."""
        awaited = self.awaited(name)
        if awaited is None:
            return False
        held = status is not None and status["number"] == awaited.number and status["phase"] == Phase.HOLDING
        return held or stamp >= awaited.stamp

    def awaited(self, name: str) -> Awaited | None:
        """When the maneuver that a vehicle flies is done; None where its list is over."""
        index, steps = self._index.get(name, 0), self._lists.get(name, ())
        if index < 0:
            return Awaited(stamp=0)
        if index >= len(steps):
            return None
        step, given = steps[index], self._given[name]
        if isinstance(step, Hold | FormationStep):
            return Awaited(given.start + round(step.duration * NS_PER_S))
        if isinstance(step, Track):
            return Awaited(given.start + round(step.waypoints[-1].time * NS_PER_S))
        return Awaited(number=given.number)

    def _maneuver(self, name: str, stamp: int, number: int) -> Maneuver:
        index = self._index[name]
        before = self._poses.after[name][index - 1] if index else self._poses.start[name]
        start = starting(stamp)
        return maneuver(
            self._lists[name][index],
            before,
            self._poses.after[name][index],
            self._most[name],
            number=number,
            run=self._run.name,
            attempt=self._attempt,
            start=start,
            expiry=self._expiry,
            manual=self._run.manual,
        )


def starting(stamp: int) -> int:
    """Start stamp ns of a maneuver that is decided at this stamp."""
    return -(-(stamp + START_LEAD_NS) // START_GRID_NS) * START_GRID_NS


def told(vehicle: str, given: Maneuver) -> str:
    """Say in words what a vehicle is asked to do."""
    if given.manual:
        return f"{vehicle} goes where its topic goal says"
    if given.kind == "track":
        return f"{vehicle} tracks {len(given.waypoints)} waypoints"
    if given.kind == "rotate" and given.orientation is not None:
        x, y, z, w = given.orientation
        heading = math.degrees(math.atan2(2.0 * (x * y + w * z), 1.0 - 2.0 * (y * y + z * z)))
        return f"{vehicle} rotates to {heading:.0f}°"
    if given.position is None:
        return f"{vehicle} brakes and holds where it comes to rest"
    where = f"({given.position[0]:.2f}, {given.position[1]:.2f})"
    does = {"translate": "translates to", "formation": f"takes its place in {given.formation}, in the end at"}
    return f"{vehicle} {does.get(given.kind, 'holds at')} {where}"


def maneuver(step: Step, before: PlannedPose, after: PlannedPose, most: Fastest, **common: Any) -> Maneuver:
    """Translate a maneuver of the plan into the message for guidance.

    Every one but a track carries its whole goal, position and attitude, so that the errors of maneuvers do not add up.
    most: limits of a move that has none of its own.
    """
    if isinstance(step, Track):
        points = tuple(
            Waypoint(
                time=point.time,
                x=point.x,
                y=point.y,
                z=before.position[2] if point.z is None else point.z,
                heading_deg=point.heading_deg,
            )
            for point in step.waypoints
        )
        return Maneuver(kind="track", waypoints=points, **common)
    limits: dict[str, Any] = {}
    if isinstance(step, FormationStep):
        limits["formation"] = step.formation
    if isinstance(step, Hold) and step.deadband is not None and step.deadband_deg is not None:
        limits |= {"deadband": step.deadband, "deadband_angle": math.radians(step.deadband_deg)}
    if isinstance(step, Translate | Rotate):
        limits |= {"speed_limit": most.speed} if isinstance(step, Translate) else {"rate_limit": most.rate}
        if step.duration is not None:
            limits["duration"] = step.duration
        elif step.gas_g is not None:
            limits["gas"] = 1e-3 * step.gas_g
            limits |= {"deadband": GAS_DEADBAND, "deadband_angle": math.radians(GAS_DEADBAND_DEG)}
        elif isinstance(step, Translate):
            limits["speed_limit"] = step.speed_limit or SPEED_LIMIT
        else:
            limits["rate_limit"] = math.radians(step.rate_limit_deg or RATE_LIMIT_DEG)
    return Maneuver(kind=step.kind, position=after.position, orientation=after.orientation, **limits, **common)
