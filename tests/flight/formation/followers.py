"""Vehicles that follow what the formations' planner tells them, perfectly or with a fault, and say where they are."""

import numpy as np
from scipy.interpolate import CubicHermiteSpline

from testbed.description import messages, rotation
from testbed.description.messages import NS_PER_S, PERIOD_NS, UNKNOWN_VARIANCE
from testbed.flight.formation import Area, Formations, FormationTask, Frame, Keeping, Limits, Order, Place

START = NS_PER_S
PERIOD = PERIOD_NS["trajectory"]
STEPS = 25
"""Of a follower in each planning period."""
KEEPING = Keeping(required=0.52, margin=0.06, body=0.2, spare=0.06)
LIMITS = Limits(acceleration=0.008, speed=0.05)


def task(places, name="wall", run="one", **more):
    """A formation with a place (x, y) or (x, y, heading) for each vehicle, in a frame at rest unless told."""
    given = {} if "leader" in more else {"frame": Frame((0.0, 0.0, 0.0))}
    slots = {
        vehicle: Place((at[0], at[1], 0.0), rotation.from_heading(at[2] if len(at) > 2 else 0.0))
        for vehicle, at in places.items()
    }
    limits = dict.fromkeys(places, LIMITS)
    return FormationTask(name, run, slots, limits, KEEPING, Area.box((-1.6, -1.3), (1.6, 1.3)), **{**given, **more})


def order(number=1, start=START, formation="wall", attempt=1, run="one"):
    return Order(number, start, run, attempt, formation)


class Followers:
    """Vehicles by name at (x, y), at rest; those that are told a trajectory follow it from its first knot on.

    `fixed`: who knows where it is; `slow`: by what share of the way since it was set a vehicle falls behind.
    """

    def __init__(self, tasks, places):
        self.formations = Formations({(one.run, one.name): one for one in tasks})
        self.stamp = START
        self.position = {name: np.array([x, y, 0.0]) for name, (x, y) in places.items()}
        self.velocity = {name: np.zeros(3) for name in places}
        self.heading, self.rate = dict.fromkeys(places, 0.0), dict.fromkeys(places, 0.0)
        self.fixed = set(places)
        self.slow = {}
        self.orders = {}
        self.told = {name: [] for name in places}
        self.history = []
        self.news = []
        self.sent = []

    def fly(self, seconds, moving=None):
        """So long; `moving`: motions (position, velocity) over time in s of vehicles that fly something else."""
        for _ in range(round(seconds * NS_PER_S / PERIOD)):
            sent = self.formations.step(self.stamp, self.odometry(), self.orders)
            self.sent.append((self.stamp, sent))
            self.news += self.formations.news
            for name, one in sent.items():
                if one[0]["count"]:
                    self.told[name].append(one[0])
            for _ in range(STEPS):
                self.stamp += PERIOD // STEPS
                for name in self.position:
                    if moving and name in moving:
                        self.position[name], self.velocity[name] = moving[name]((self.stamp - START) / NS_PER_S)
                    elif name in self.orders:
                        self._follow(name)
                self.history.append({name: at.copy() for name, at in self.position.items()})

    def odometry(self):
        """Everybody's messages.ODOMETRY."""
        return {name: self._odometry(name) for name in self.position}

    def separation(self):
        """Least distance of two vehicles so far, m."""
        rows = np.array([list(moment.values()) for moment in self.history])
        one, other = np.triu_indices(rows.shape[1], 1)
        return np.linalg.norm(rows[:, one] - rows[:, other], axis=2).min()

    def _follow(self, name):
        told = self._begun(name)
        if told is None:
            return
        count = told["count"]
        times = (told["stamp"] + told["offset"][:count]) / NS_PER_S
        now = self.stamp / NS_PER_S
        self.position[name], self.velocity[name] = at(times, told["position"], told["velocity"], now)
        if name in self.slow:
            since, share = self.slow[name]
            begun, _ = at(times, told["position"], told["velocity"], max(since, times[0]))
            self.position[name] = begun + share * (self.position[name] - begun)
            self.velocity[name] = share * self.velocity[name]
        turns = np.unwrap([rotation.heading(one) for one in told["orientation"][:count]])
        heading, rate = at(times, turns[:, None], told["rate"][:, 2:], now)
        self.heading[name], self.rate[name] = float(heading[0]), float(rate[0])

    def _begun(self, name):
        """The newest of what a vehicle was told that has begun, None if none has."""
        told = self.told[name]
        while len(told) > 1 and has_begun(told[1], self.stamp):
            told.pop(0)
        return told[0] if told and has_begun(told[0], self.stamp) else None

    def _odometry(self, name):
        record = np.zeros(1, messages.ODOMETRY)[0]
        turn = rotation.from_heading(self.heading[name])
        record["stamp"], record["orientation"], record["position"] = self.stamp, turn, self.position[name]
        record["linear_velocity"] = rotation.rotate_inverse(np.array(turn), self.velocity[name])
        record["angular_velocity"][2] = self.rate[name]
        if name not in self.fixed:
            record["pose_covariance"] = UNKNOWN_VARIANCE * np.eye(6)
        return record


def has_begun(told, stamp):
    return told["count"] > 0 and told["stamp"] + told["offset"][0] <= stamp


def at(times, values, slopes, now):
    """Value and slope of the cubic Hermite curve through the knots; beyond the last one with its slope."""
    values, slopes = values[: len(times)], slopes[: len(times)]
    if now >= times[-1] or len(times) == 1:
        return values[-1] + (now - times[-1]) * slopes[-1], slopes[-1].copy()
    curve = CubicHermiteSpline(times, values, slopes)
    return curve(now), curve(now, 1)
