"""One maneuver of a timeline: from where to where, from when to when, and where it is in between."""

from __future__ import annotations

import math
from dataclasses import dataclass

from testbed.description.rotation import conjugate, from_heading, from_rotation_vector, multiply, to_rotation_vector
from testbed.plan.formation_slots import Orientation
from testbed.plan.formation_way import Way
from testbed.plan.maneuvers import FormationStep, Rotate, Step, Track, Translate
from testbed.plan.poses import PlannedPose
from testbed.plan.profile import Profile
from testbed.plan.tracks import curve


@dataclass(frozen=True)
class Leg:
    """One maneuver from `begin` to `end`, s after the try began.

    shortest: least time that a move could take, s; way: that of a formation, once it is planned.
    """

    step: Step
    before: PlannedPose
    after: PlannedPose
    begin: float
    end: float
    profile: Profile | None = None
    shortest: float = 0.0
    way: Way | None = None

    def position(self, time: float) -> tuple[float, float, float]:
        """Position at a time, m."""
        if isinstance(self.step, Track):
            return curve(self.step, self.before).position(time - self.begin)
        if isinstance(self.step, FormationStep):
            return self.before.position if self.way is None else self.way.motion.position(self._within(time))
        share = self._share(time) if isinstance(self.step, Translate) else 1.0
        (x0, y0, z0), (x1, y1, z1) = self.before.position, self.after.position
        return x0 + share * (x1 - x0), y0 + share * (y1 - y0), z0 + share * (z1 - z0)

    def orientation(self, time: float) -> Orientation:
        """Orientation at a time."""
        if isinstance(self.step, Track):
            return from_heading(curve(self.step, self.before).heading(time - self.begin))
        if isinstance(self.step, FormationStep):
            return self.before.orientation if self.way is None else self.way.orientation(self._within(time))
        if not isinstance(self.step, Rotate):
            return self.after.orientation
        x, y, z = to_rotation_vector(multiply(conjugate(self.before.orientation), self.after.orientation))
        share = self._share(time)
        return multiply(self.before.orientation, from_rotation_vector((share * x, share * y, share * z)))

    def angle_left(self, time: float) -> float:
        """How far the attitude still is from where the leg ends, degrees."""
        if not isinstance(self.step, Rotate | FormationStep):
            return 0.0
        left = to_rotation_vector(multiply(conjugate(self.orientation(time)), self.after.orientation))
        return math.degrees(math.hypot(*left))

    def _share(self, time: float) -> float:
        """Share of a move that is covered at a time."""
        if self.profile is None or self.profile.distance <= 0.0:
            return 1.0
        return self.profile.progress(time - self.begin) / self.profile.distance

    def _within(self, time: float) -> float:
        return min(max(time, self.begin), self.end)
