"""A free rigid body pushed by valve schedules: guidance and thruster driver in closed loop, without the plant.

Semi-implicit Euler in ticks of 10 ms; each valve pushes while it gives full thrust, with the share of the tick in which
it does. Everything is exact knowledge; effects are switched on by arguments.
"""

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description import messages, ticks
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.flight.guidance import Guidance
from testbed.flight.thruster_driver import ThrusterDriver

START = messages.LOCKSTEP_START_NS
TICK = messages.TICK_NS / messages.NS_PER_S


class FloatingBody:
    """One vehicle under guidance and driver; `thrust` scales each valve's real thrust, `pull` is a constant force N."""

    def __init__(self, vehicle, place="table", thrust=1.0, pull=(0.0, 0.0, 0.0)):
        axes = TABLE_AXES if place == "table" else CABIN_AXES
        self.guidance = Guidance(vehicle, place, axes)
        self.driver = ThrusterDriver(vehicle, place, axes)
        properties = vehicle.mass_properties(place)
        self.mass, self.inertia = properties.mass, properties.inertia_tensor()
        self.centre = np.array(properties.centre_of_mass)
        self.matrix = vehicle.thrusters.wrench_matrix(properties.centre_of_mass) * thrust
        self.thrusters = vehicle.thrusters
        self.active = axis_mask(axes)
        self.pull = np.array(pull)
        self.stamp = START
        base = np.array([0.0, 0.0, vehicle.shape.floor_height if place == "table" else 0.0])
        self.position = base + self.centre  # of the centre of mass
        self.attitude = Rotation.identity()
        self.velocity, self.rate = np.zeros(3), np.zeros(3)
        self.impulse = 0.0
        """Sum over valves of thrust times time, N·s."""
        self.pulses = []
        self.odometry = np.zeros(1, messages.ODOMETRY)
        self.disturbance, self.wrench = np.zeros(1, messages.WRENCH), np.zeros(1, messages.WRENCH)
        self.reference = np.zeros(1, messages.ODOMETRY)
        self.status = np.zeros(1, messages.STATUS)
        self.schedule = np.zeros(1, messages.SCHEDULE)
        self.history = []

    def command(self, maneuver):
        assert self.guidance.accept_maneuver(maneuver.record())

    def run(self, seconds):
        """Run on for that long; one row of the history per wrench."""
        for _ in range(round(seconds / TICK)):
            if ticks.wrench_due(self.stamp):
                self._control()
            self._advance()

    def recorded(self, name):
        """History of one recorded quantity as an array."""
        return np.array([row[name] for row in self.history])

    def base_position(self):
        return self.position - self.attitude.apply(self.centre)

    def _control(self):
        one = self.odometry[0]
        one["stamp"], one["position"] = self.stamp, self.base_position()
        one["orientation"] = self.attitude.as_quat()
        base_velocity = self.velocity - self.attitude.apply(np.cross(self.rate, self.centre))
        one["linear_velocity"] = self.attitude.inv().apply(base_velocity)
        one["angular_velocity"] = self.rate
        self.guidance.step(self.odometry, self.disturbance, self.wrench, self.reference, self.status)
        self.history.append(
            {
                "time": (self.stamp - START) / messages.NS_PER_S,
                "position": self.base_position(),
                "rotation_vector": self.attitude.as_rotvec(),
                "velocity": base_velocity,
                "rate": self.rate.copy(),
                "reference": self.reference[0].copy(),
                "status": self.status[0].copy(),
                "wrench": np.concatenate([self.wrench[0]["force"], self.wrench[0]["torque"]]),
            }
        )
        if ticks.schedule_due(self.stamp, self.driver.modulation_period):
            self.driver.step(self.odometry, self.wrench, True, self.schedule)
            self._take(self.schedule[0])

    def _take(self, schedule):
        """Turn a schedule into times of full thrust per valve: (valve, from, to) in ns."""
        opens, closes = self._delays()
        count = schedule["count"]
        states = schedule["open"][:count].astype(int)
        for valve in range(self.matrix.shape[1]):
            edges = np.diff(np.concatenate([[0], states[:, valve], [0]]))
            for first, last in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
                opened, closed = (schedule["stamp"] + schedule["offset"][k] for k in (first, last))
                if self.pulses and (valve, opened + closes) in [(p[0], p[2]) for p in self.pulses]:
                    opened += closes - opens  # goes on from the last schedule without an edge
                self.pulses.append((valve, opened + opens, closed + closes))

    def _delays(self):
        """Time from a command to the middle of the thrust's rise and fall, ns."""
        t = self.thrusters
        return round((t.opening_delay + t.rise_time / 2) * 1e9), round((t.closing_delay + t.fall_time / 2) * 1e9)

    def _advance(self):
        end = self.stamp + messages.TICK_NS
        wrench = np.zeros(6)
        for valve, opened, closed in self.pulses:
            share = max(min(closed, end) - max(opened, self.stamp), 0) / messages.TICK_NS
            wrench += self.matrix[:, valve] * share
            self.impulse += np.linalg.norm(self.matrix[:3, valve]) * share * TICK
        self.pulses = [pulse for pulse in self.pulses if pulse[2] > end]
        force = self.attitude.apply(wrench[:3]) + self.pull
        torque = wrench[3:] - np.cross(self.rate, self.inertia @ self.rate)
        self.velocity += self.active[:3] * force / self.mass * TICK
        self.rate += self.active[3:] * np.linalg.solve(self.inertia, torque) * TICK
        self.position = self.position + self.velocity * TICK
        self.attitude = self.attitude * Rotation.from_rotvec(self.rate * TICK)
        self.stamp = end
