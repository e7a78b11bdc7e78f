"""A pair in the plane: docking and guidance's feedback close the loop over a body that gets exactly what it asks for.

The partner moves as told, at a steady spin; its odometry comes late. Own odometry is exact. The ports latch where they
touch, if they may.
"""

import math

import numpy as np

from testbed.description import messages, rotation
from testbed.description.axes import TABLE_AXES
from testbed.description.messages import NS_PER_S
from testbed.description.ticks import wrench_due
from testbed.flight.docking import Phase
from testbed.flight.docking import docking as kernels
from testbed.flight.guidance import Guidance
from testbed.flight.separation import PERMIT
from tests.flight.docking.examples import DOCKED, HEIGHT, START, docking, odometry, ported

TICK = messages.TICK_NS
DELAY = 0.06
"""Age of the partner's odometry, s."""


class Pair:
    """Who docks, at `place` (x, y) and heading `turned`, and a partner at the origin with its port along x at first."""

    def __init__(self, place=(1.2, 0.2), turned=2.0, spin=0.0, latches=True):
        self.docking, self.guidance = docking(speed=0.09), Guidance(ported(), "table", TABLE_AXES)
        maneuver = self.guidance.state[0]["maneuver"]
        maneuver["speed_limit"], maneuver["rate_limit"] = 0.09, 0.2
        self.mass, self.inertia = 13.0, 0.24
        self.place, self.velocity = np.array(place, float), np.zeros(2)
        self.turned, self.rate, self.spin = turned, 0.0, spin
        self.stamp, self.latches, self.latched, self.silent_since, self.fix = START, latches, False, None, True
        self.wrench, self.disturbance = np.zeros(1, messages.WRENCH), np.zeros(1, messages.WRENCH)
        self.phases, self.miss = [], None

    @property
    def seconds(self):
        return (self.stamp - START) / NS_PER_S

    @property
    def phase(self):
        return self.docking.phase

    @property
    def seen(self):
        return self.docking.state[0]

    def own(self):
        found = odometry((*self.place, HEIGHT), self.turned, (*self.velocity, 0.0), self.rate, self.seconds)
        if not self.fix:
            found["pose_covariance"] = messages.UNKNOWN_VARIANCE * np.eye(6)
        return found

    def partner(self):
        seconds = max(self.seconds - DELAY, 0.0)
        if self.silent_since is not None:
            seconds = min(seconds, self.silent_since)
        return odometry(turned=self.spin * seconds, rate=self.spin, seconds=seconds)

    def run(self, seconds, until=()):
        """Run for so long, or until a phase is reached."""
        for _ in range(round(seconds * NS_PER_S / TICK)):
            if wrench_due(self.stamp):
                self._control()
                if self.phase in until:
                    return
            self._advance()

    def _control(self):
        guidance = self.guidance
        self.docking.step(
            guidance.parameters, guidance.state, self.own(), self.partner(), self.latched, self.disturbance, self.wrench
        )
        if not self.phases or self.phases[-1] != self.phase:
            self.phases.append(self.phase)

    def _advance(self):
        step = TICK / NS_PER_S
        force = rotation.rotate((0, 0, math.sin(self.turned / 2), math.cos(self.turned / 2)), self.wrench[0]["force"])
        self.velocity += step * np.array(force[:2]) / self.mass
        self.rate += step * float(self.wrench[0]["torque"][2]) / self.inertia
        self.place += step * self.velocity
        self.turned += step * self.rate
        self.stamp += TICK
        if self.latched:
            self._carry()
        elif np.linalg.norm(self.place) <= DOCKED and self.latches and self.seen["engaged"]:
            self.miss, self.latched = self._miss(), True
            self._carry()

    def _axis(self):
        angle = self.spin * self.seconds
        return np.array([math.cos(angle), math.sin(angle)])

    def _miss(self):
        """Lateral distance m, angle rad and closing speed m/s."""
        axis = self._axis()
        aside = self.place - (self.place @ axis) * axis
        angle = math.remainder(self.turned - math.atan2(axis[1], axis[0]) - math.pi, 2 * math.pi)
        return float(np.linalg.norm(aside)), abs(angle), float(-self.velocity @ axis)

    def _carry(self):
        axis = self._axis()
        self.place, self.rate = DOCKED * axis, self.spin
        self.velocity = self.spin * DOCKED * np.array([-axis[1], axis[0]])
        self.turned = math.atan2(axis[1], axis[0]) + math.pi

    def knock(self, across, spin=0.0):
        """Change the velocity across the port's axis by so much, m/s, and the rate, rad/s."""
        axis = self._axis()
        self.velocity += across * np.array([-axis[1], axis[0]])
        self.rate += spin

    def permit(self):
        """The separation.PERMIT that it grants now, shape ()."""
        one = np.zeros(1, PERMIT)
        kernels.grant(self.docking.parameters[0], self.docking.state[0], one[0], 0, 0)
        return one[0]


def approaching(**changes):
    """A pair that has just begun to close in."""
    pair = Pair(**changes)
    pair.docking.begin()
    pair.run(150.0, (Phase.APPROACHING,))
    assert pair.phase == Phase.APPROACHING
    return pair
