"""An estimator of one's own, for the table: a Kalman filter of pose, velocity and gyro bias in plain numpy.

Named by config/own/wren_planar.yaml as `planar:PlanarEstimator`; copy it and change what it does. It knows nothing of
the valves: what they do is noise to it. testbed/flight/own/protocols.py says what each record means.
"""

import numpy as np
from scipy.optimize import least_squares

from testbed.description.air import speed_of_sound
from testbed.description.messages import INNOVATION_POINT, NS_PER_S, WRENCH

X, Y, HEADING, VX, VY, BIAS = range(6)
PUSH = 0.01
"""Density of the accelerations that it knows nothing of, m/s²/sqrt(Hz)."""
GATE = 4.0
"""A range further off than so many standard deviations is not used."""
FIT = 0.02
"""Largest median residual of a good first fit, m."""


class PlanarEstimator:
    def __init__(self, vehicle, beacons, noise, place, active_axes, room):
        if place != "table":
            raise ValueError("this estimator knows the table only")
        self.height = vehicle.shape.floor_height
        self.beacons = np.array([one.position for one in beacons.beacons])
        self.receivers = np.array([one.position for one in vehicle.receivers])
        self.ranging, self.humidity, self.slot = noise.ranging, beacons.air_humidity, beacons.slot
        self.gyro_density = np.radians(noise.gyro.density_deg)
        self.first_bias = np.radians(noise.gyro.turn_on_bias_deg)
        self.rates = []  # stamp and rate of each gyro sample since the last cycle
        self.lose()

    def lose(self):
        """Forget where the vehicle is."""
        self.state = self.covariance = None
        self.cycles = self.bad = 0
        self.table = np.zeros(0, INNOVATION_POINT)

    def step(self, heard, odometry):
        self.rates += [(int(imu["stamp"]), imu["angular_velocity"][2]) for imu in heard.imu]
        for cycle in heard.ranges:
            self.use(cycle, speed_of_sound(heard.air_temperature, self.humidity))
        if self.cycles >= 2:
            self.fill(odometry[0])

    def use(self, cycle, sound):
        """One beacon cycle: a first fit, or one update per range at its own time."""
        n = cycle["count"]
        flight = cycle["time_of_flight"][:n]
        arrival = cycle["stamp"] + np.round((cycle["time_offset"][:n] + flight) * NS_PER_S).astype(int)
        ranges = sorted(zip(arrival.tolist(), cycle["beacon"][:n], cycle["receiver"][:n], sound * flight, strict=True))
        if self.state is None:
            self.start(ranges)
            return
        used = np.zeros(len(ranges), INNOVATION_POINT)
        for row, (stamp, beacon, receiver, distance) in enumerate(ranges):
            self.go_on_to(stamp)
            used[row] = beacon, receiver, *self.update(beacon, receiver, distance)
        self.table = used
        self.cycles += 1
        self.bad = self.bad + 1 if n >= 6 and 2 * used["accepted"].sum() < n else 0
        if self.bad >= 2 or self.covariance[X, X] > 0.3**2:  # it has been put elsewhere, or has heard nothing for long
            self.lose()

    def start(self, ranges):
        """Fit position and heading to the ranges of one cycle, from eight headings."""
        self.rates = self.rates[-1:]
        if len(ranges) < 10:
            return
        beacons, receivers = (np.array([one[k] for one in ranges]) for k in (1, 2))
        distances = np.array([one[3] for one in ranges])

        def residuals(pose):
            return np.linalg.norm(self.place(pose, receivers) - self.beacons[beacons], axis=-1) - distances

        fits = [
            least_squares(residuals, (0.0, 0.0, heading), loss="soft_l1", f_scale=0.02)
            for heading in np.arange(8) * np.pi / 4
        ]
        best = min(fits, key=lambda fit: fit.cost)
        if np.median(np.abs(residuals(best.x))) > FIT:
            return
        self.state = np.array([*best.x, 0.0, 0.0, 0.0])
        self.covariance = np.diag([0.02, 0.02, 0.05, 0.05, 0.05, self.first_bias]) ** 2
        self.time = self.rates[-1][0]
        self.cycles = 1

    def place(self, pose, receivers):
        """Where receivers are, fixed frame, m."""
        cos, sin = np.cos(pose[HEADING]), np.sin(pose[HEADING])
        turn = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
        return self.receivers[receivers] @ turn.T + np.array([pose[X], pose[Y], self.height])

    def go_on_to(self, stamp):
        """Carry the state on, by the gyro samples up to `stamp`; the one after it holds for what is left."""
        while self.rates and self.time < stamp:
            until = min(stamp, self.rates[0][0]) if len(self.rates) > 1 else stamp
            self.predict((until - self.time) / NS_PER_S, self.rates[0][1])
            self.time = until
            if len(self.rates) > 1 and until >= self.rates[0][0]:
                self.rates.pop(0)

    def predict(self, dt, rate):
        """Constant velocity, heading by the gyro."""
        move = np.eye(6)
        move[X, VX] = move[Y, VY] = dt
        move[HEADING, BIAS] = -dt
        self.state = move @ self.state
        self.state[HEADING] += rate * dt
        push = PUSH**2 * np.array([[dt**3 / 3.0, dt**2 / 2.0], [dt**2 / 2.0, dt]])
        noise = np.zeros((6, 6))
        noise[np.ix_([X, VX], [X, VX])] = noise[np.ix_([Y, VY], [Y, VY])] = push
        noise[HEADING, HEADING] = self.gyro_density**2 * dt
        self.covariance = move @ self.covariance @ move.T + noise

    def update(self, beacon, receiver, distance):
        """Use one range; returns innovation m, its variance m², and whether it was used."""
        ahead = self.place(self.state, [receiver])[0] - self.beacons[beacon]
        expected = np.linalg.norm(ahead)
        arm = self.receivers[receiver]
        cos, sin = np.cos(self.state[HEADING]), np.sin(self.state[HEADING])
        swing = np.array([-sin * arm[0] - cos * arm[1], cos * arm[0] - sin * arm[1]])
        slope = np.zeros(6)
        slope[[X, Y]] = ahead[:2] / expected
        slope[HEADING] = slope[[X, Y]] @ swing
        innovation = distance - expected
        noise = (self.ranging.constant + self.ranging.per_metre * distance) ** 2 + self.ranging.survey**2
        spread = self.covariance @ slope
        variance = slope @ spread + noise
        if innovation**2 > GATE**2 * variance:
            return innovation, variance, 0
        gain = spread / variance
        keep = np.eye(6) - np.outer(gain, slope)
        self.state = self.state + gain * innovation
        self.covariance = keep @ self.covariance @ keep.T + noise * np.outer(gain, gain)
        return innovation, variance, 1

    def fill(self, odometry):
        """Carry the last update on to the newest gyro sample, and write it down."""
        kept = self.state, self.covariance, self.rates, self.time
        self.rates = list(self.rates)
        last, rate = self.rates[-1]
        self.go_on_to(last)
        (x, y, heading, vx, vy, bias), covariance = self.state, self.covariance
        self.state, self.covariance, self.rates, self.time = kept
        cos, sin = np.cos(heading), np.sin(heading)
        odometry["position"] = x, y, self.height
        odometry["orientation"][2:] = np.sin(heading / 2.0), np.cos(heading / 2.0)
        odometry["linear_velocity"][:2] = cos * vx + sin * vy, cos * vy - sin * vx
        odometry["angular_velocity"][2] = rate - bias
        held, free = np.eye(6) * 1e-8, [0, 1, 5]
        held[np.ix_(free, free)] = covariance[np.ix_([X, Y, HEADING], [X, Y, HEADING])]
        odometry["pose_covariance"] = held
        twist = np.eye(6) * 1e-8
        turn = np.array([[cos, sin], [-sin, cos]])
        twist[:2, :2] = turn @ covariance[np.ix_([VX, VY], [VX, VY])] @ turn.T
        twist[5, 5] = covariance[BIAS, BIAS] + self.gyro_density**2 * 100.0
        odometry["twist_covariance"] = twist

    @property
    def gyro_bias(self):
        return np.array([0.0, 0.0, 0.0 if self.state is None else self.state[BIAS]])

    def disturbance(self, stamp):
        return np.zeros(1, WRENCH)

    def innovations(self):
        return self.table
