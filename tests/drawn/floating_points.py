"""A simple table for many vehicles: each a point of mass that valves push, with noise, tilt, lag and failed valves.

Each follows its reference by the law of flight/guidance/feedback.py with the demo vehicles' gains, from noisy states,
and finds steady disturbances with an observer; nobody tells it of a fault.
"""

from dataclasses import dataclass

import numpy as np

PERIOD = 0.1
"""Of control, s."""
MASS = 13.0
AUTHORITY = np.array([0.26, 0.45])
"""Largest force along the axes of a vehicle, N; together they span an octahedron (here a rhombus)."""
FOR_FORCE = 0.8
"""Share of it that turning leaves."""
STRENGTH = float(FOR_FORCE / np.linalg.norm(1.0 / AUTHORITY) / MASS)
"""Acceleration that a vehicle can give in every direction, m/s²."""
BANDWIDTH, DAMPING = 0.35, 0.9
OBSERVER_TIME = 2.5
"""Of the disturbance observer (double pole), s."""
LARGEST_OBSERVED = 0.6
"""Share of the authority up to which a disturbance is countered (feedback.py: 0.3 each by estimate and integral)."""
TILT = 1.0e-3
"""Largest steady acceleration of the table's tilt and unevenness, m/s²."""
THRUST_NOISE = 0.05
POSITION_NOISE, POSITION_TIME, VELOCITY_NOISE = 0.004, 5.0, 0.002
"""Standard deviation of the known position, m, its correlation time, s; of the known velocity, m/s, white."""


@dataclass(frozen=True)
class Fault:
    """What happens to one vehicle `time` s after the start.

    share: of its authority that is left; push: of a valve that stays open, N, axes of the vehicle; weak: sides (+x, +y,
    -x, -y) on which a valve stays closed, which leaves half the force.
    """

    vehicle: int
    time: float
    share: float = 1.0
    push: tuple[float, float] = (0.0, 0.0)
    weak: tuple[int, ...] = ()


class FloatingPoints:
    """The world of one draw; positions (V, 3), at rest at first, headings (V,) rad, kept."""

    def __init__(self, positions, headings, fault, generator):
        count = len(positions)
        self.time, self.fault, self.generator = 0.0, fault, generator
        self.position, self.velocity = positions[:, :2].copy(), np.zeros((count, 2))
        c, s = np.cos(headings), np.sin(headings)
        self.turn = np.stack([np.stack([c, -s], axis=1), np.stack([s, c], axis=1)], axis=1)
        angles, sizes = generator.uniform(0.0, 2.0 * np.pi, count), generator.uniform(0.0, TILT, count)
        self.tilt = sizes[:, None] * np.column_stack([np.cos(angles), np.sin(angles)])
        self.error = POSITION_NOISE * generator.normal(size=(count, 2))
        self.predicted, self.observed = np.zeros((count, 2)), np.zeros((count, 2))
        self._sense()

    def step(self, reference):
        """Fly one period towards `reference`: positions, velocities and accelerations, each (V, 3)."""
        position, velocity, acceleration = (one[:, :2] for one in reference)
        feedback = BANDWIDTH**2 * (position - self.known_position)
        feedback += 2.0 * DAMPING * BANDWIDTH * (velocity - self.known_velocity)
        largest = LARGEST_OBSERVED * AUTHORITY / MASS
        against = np.clip(self.observed, -largest, largest)
        wanted = np.einsum("vji,vj->vi", self.turn, MASS * (acceleration + feedback - against))
        believed = within(wanted, AUTHORITY, AUTHORITY)
        self._observe(np.einsum("vij,vj->vi", self.turn, believed) / MASS)
        force = self._given(wanted) * (1.0 + THRUST_NOISE * self.generator.normal(size=wanted.shape))
        push = np.einsum("vij,vj->vi", self.turn, force + self._stuck()) / MASS + self.tilt
        self.position = self.position + PERIOD * (self.velocity + 0.5 * PERIOD * push)
        self.velocity = self.velocity + PERIOD * push
        self.time += PERIOD
        self._sense()

    def known(self):
        """Positions and velocities (V, 3) as the vehicles know them."""
        return padded(self.known_position), padded(self.known_velocity)

    def truth(self):
        """True positions (V, 3) and velocities."""
        return padded(self.position), padded(self.velocity)

    def _given(self, wanted):
        """The force that comes of `wanted` (V, 2) N, axes of the vehicle."""
        forth = np.tile(AUTHORITY, (len(wanted), 1))
        back = forth.copy()
        if self.fault is not None and self.time >= self.fault.time:
            v = self.fault.vehicle
            forth[v] *= self.fault.share
            back[v] *= self.fault.share
            for side in self.fault.weak:
                (forth if side < 2 else back)[v, side % 2] *= 0.5
            for k in range(2):  # a valve that is open already gives nothing on demand
                side = forth if self.fault.push[k] > 0.0 else back
                side[v, k] -= min(abs(self.fault.push[k]), 0.5 * side[v, k])
        return within(wanted, forth, back)

    def _stuck(self):
        push = np.zeros_like(self.position)
        if self.fault is not None and self.time >= self.fault.time:
            push[self.fault.vehicle] = self.fault.push
        return push

    def _observe(self, acceleration):
        """Two poles at -1/OBSERVER_TIME: of the known velocity less what the believed acceleration (V, 2) explains."""
        amiss = self.known_velocity - self.predicted
        self.predicted = self.predicted + PERIOD * (acceleration + self.observed + 2.0 / OBSERVER_TIME * amiss)
        self.observed = self.observed + PERIOD / OBSERVER_TIME**2 * amiss

    def _sense(self):
        shape = self.position.shape
        keep = np.exp(-PERIOD / POSITION_TIME)
        self.error = keep * self.error + np.sqrt(1.0 - keep**2) * POSITION_NOISE * self.generator.normal(size=shape)
        self.known_position = self.position + self.error
        self.known_velocity = self.velocity + VELOCITY_NOISE * self.generator.normal(size=shape)


def within(force, forth, back):
    """`force` (V, 2) shortened to what the octahedron of `forth` and `back` (N along and against each axis) allows."""
    demand = np.sum(np.where(force > 0.0, force / (FOR_FORCE * forth), -force / (FOR_FORCE * back)), axis=1)
    return force / np.maximum(demand, 1.0)[:, None]


def padded(plane):
    """Vectors (V, 2) with a third component of zero."""
    return np.column_stack([plane, np.zeros(len(plane))])
