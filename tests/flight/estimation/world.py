"""A small world to try the estimator in: rigid bodies, valves, gyro and ranging, many seeds side by side.

Written for these tests alone, apart from the plant and with numpy only. Arrays are of shape (seeds, ...). Valves act as
rectangles shifted by their delay, with jitter; within a tick the force is its mean. The supply never sags.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import nnls
from scipy.spatial.transform import Rotation

from testbed.description.air import speed_of_sound
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.beacons import Beacon, Beacons
from testbed.description.load import load
from testbed.description.messages import IMU, MAX_RANGES, NS_PER_S, RANGES, SCHEDULE, TICK_NS
from testbed.description.noise import Noise
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import Estimator
from testbed.flight.estimation.propagation import SLOWEST

CONFIG = Path(__file__).parents[3] / "config"
START = NS_PER_S
TICK = TICK_NS / NS_PER_S
GRAVITY = 9.80665
PERIOD_TICKS = 10
LEAD_TICKS = 2


def demo_vehicle(name="wren"):
    return load(CONFIG / "vehicles" / f"{name}.yaml", Vehicle).description


def steady_supply(vehicle):
    """The same vehicle with a supply that does not sag."""
    return vehicle.model_copy(update={"thrusters": vehicle.thrusters.model_copy(update={"maximum_sag": 0.0})})


def demo_beacons():
    return load(CONFIG / "beacons" / "floor.yaml", Beacons).description


def demo_noise():
    return load(CONFIG / "noise" / "floor.yaml", Noise).description


def cabin_beacons():
    """Ten beacons on the walls of a box of 4 by 3.4 by 2.8 m, in slots of 20 ms: enough for any attitude."""
    places = [
        *((2.0, 1.7, 1.2), (-2.0, 1.7, -1.0), (-2.0, -1.7, 1.4), (2.0, -1.7, -1.3), (0.0, 1.7, 0.3), (0.3, -1.7, 0.1)),
        *((1.2, 0.2, 1.4), (-1.0, -0.4, -1.4), (2.0, -0.2, 0.2), (-2.0, 0.3, 0.0)),
    ]
    beacons = tuple(Beacon(position=place) for place in places)
    return demo_beacons().model_copy(update={"slot": 0.02, "beacons": beacons})


def white_only(noise):
    """The same noise without what does not average out."""
    return noise.model_copy(
        update={
            "gyro": noise.gyro.model_copy(update={"scale_error": 0.0, "misalignment_deg": 0.0}),
            "ranging": noise.ranging.model_copy(
                update={"survey": 0.0, "multipath": 0.0, "dropout": 0.0, "pulse_jitter": 0.0}
            ),
            "surroundings": noise.surroundings.model_copy(
                update={"air_temperature": 0.0, "air_humidity": 0.0, "thrust": 0.0, "shared_thrust": 0.0}
            ),
        }
    )


@dataclass
class Truth:
    """Pose of base_link and twist in base_link as odometry tells them, and what the filter carries besides."""

    position: np.ndarray
    orientation: Rotation
    linear_velocity: np.ndarray
    angular_velocity: np.ndarray
    com_position: np.ndarray
    com_velocity: np.ndarray
    disturbance: np.ndarray


class World:
    """Bodies, one per seed, each with its own estimator; `step` advances all by one tick."""

    def __init__(
        self, seeds, *, place="table", noise=None, vehicle=None, beacons=None, push=True, disturbance_walk=True
    ):
        self.place = place
        self.axes = TABLE_AXES if place == "table" else CABIN_AXES
        self.free = axis_mask(self.axes).astype(float)
        self.vehicle = steady_supply(vehicle or demo_vehicle())
        self.beacons = beacons or (demo_beacons() if place == "table" else cabin_beacons())
        self.noise = noise or demo_noise()
        self.n = n = len(seeds)
        self.draws = [np.random.default_rng(seed) for seed in seeds]
        self.push = push
        self.disturbance_walk = disturbance_walk
        self.mute = False
        self.stamp = START
        body = self.vehicle.mass_properties(place)
        self.mass, self.inertia, self.com = body.mass, body.inertia_tensor(), np.array(body.centre_of_mass)
        self.unload = np.linalg.inv(self.inertia)
        self._choose_directions()
        self.com_position = np.zeros((n, 3))
        self.velocity = np.zeros((n, 3))
        self.rotation = Rotation.identity(n)
        self.rate = np.zeros((n, 3))
        self.rate_before = self.rate.copy()
        self._draw_actual()
        self.target = np.zeros((n, 3))
        self.pulses = [[] for _ in range(n)]
        self.commanded = [[] for _ in range(n)]
        for k in range(n):
            self.place_at(k, *self.random_pose(k))
        self.estimators = [self.new_estimator() for _ in range(n)]

    def new_estimator(self):
        return Estimator(self.vehicle, self.beacons, self.noise, self.place, self.axes)

    def normal(self, *shape):
        return np.array([draw.standard_normal(shape) for draw in self.draws])

    def uniform(self, *shape):
        return np.array([draw.random(shape) for draw in self.draws])

    def _draw_actual(self):
        n, noise, around = self.n, self.noise, self.noise.surroundings
        valves = len(self.vehicle.thrusters.valves)
        self.thrust = self.vehicle.thrusters.wrench_matrix(tuple(self.com)) * (
            1.0 + around.thrust * self.normal(1, valves) + around.shared_thrust * self.normal(1, 1)
        )
        self.gyro_bias = math.radians(noise.gyro.turn_on_bias_deg) * self.normal(3)
        self.accelerometer_bias = self.normal(3)
        scale, lean = noise.gyro.scale_error, math.radians(noise.gyro.misalignment_deg)
        self.gyro_matrix = np.eye(3) + (lean + (scale - lean) * np.eye(3)) * self.normal(3, 3)
        self.disturbance = around.disturbance * self.normal(3) * self.free[:3]
        self.survey = noise.ranging.survey * self.normal(len(self.beacons.beacons), 3)
        self.air = self.beacons.air_temperature + around.air_temperature * self.normal()
        self.humidity = np.clip(self.beacons.air_humidity + around.air_humidity * self.normal(), 0.0, 1.0)
        self.beacon = np.array([beacon.position for beacon in self.beacons.beacons]) + self.survey
        receivers = self.vehicle.receivers
        self.receiver = np.array([receiver.position for receiver in receivers]) - self.com
        axis = np.array([receiver.axis for receiver in receivers])
        self.axis = axis / np.linalg.norm(axis, axis=1, keepdims=True)
        self.cosine = np.cos(np.radians([receiver.half_angle_deg for receiver in receivers]))
        nozzles = np.array([valve.position for valve in self.vehicle.thrusters.valves]) - self.com
        away = np.linalg.norm(self.receiver[:, None] - nozzles, axis=2)
        self.loudness = (noise.ranging.valve_distance / np.maximum(away, 0.03)) ** 2  # receivers, valves
        assert self.beacon.shape == (n, len(self.beacons.beacons), 3)

    def _choose_directions(self):
        """On-times per unit of acceleration along each direction of each free axis."""
        matrix = self.vehicle.thrusters.wrench_matrix(tuple(self.com))
        weights = np.concatenate([np.full(3, self.mass), np.diag(self.inertia)])
        held = self.free == 0.0
        rows = matrix[~held]
        self.directions = np.zeros((2, 6, matrix.shape[1]))
        for axis in np.flatnonzero(~held):
            for side, sign in enumerate((1.0, -1.0)):
                wanted = np.zeros(6)
                wanted[axis] = sign * weights[axis]
                self.directions[side, axis], _ = nnls(rows, wanted[~held])

    def random_pose(self, k):
        """A position in the working area and any attitude that the place allows."""
        draw = self.draws[k]
        if self.place == "table":
            height = self.vehicle.shape.floor_height
            return [*draw.uniform((-1.3, -1.0), (1.3, 1.0)), height], Rotation.from_euler(
                "z", draw.uniform(-np.pi, np.pi)
            )
        return draw.uniform((-1.2, -1.0, -0.8), (1.2, 1.0, 0.8)), Rotation.random(rng=draw)

    def place_at(self, k, position, rotation):
        """Put body `k` at rest: position of base_link, orientation."""
        quaternions = self.rotation.as_quat()
        quaternions[k] = rotation.as_quat()
        self.rotation = Rotation.from_quat(quaternions)
        self.com_position, self.velocity = self.com_position.copy(), self.velocity.copy()
        self.com_position[k] = np.array(position) + rotation.apply(self.com)
        self.velocity[k] = 0.0
        self.rate[k] = 0.0
        self.target[k] = self.com_position[k]

    def truth(self):
        position = self.com_position - self.rotation.apply(np.tile(self.com, (self.n, 1)))
        velocity = self.rotation.inv().apply(self.velocity) - np.cross(self.rate, self.com)
        return Truth(
            position, self.rotation, velocity, self.rate.copy(), self.com_position, self.velocity, self.disturbance
        )

    def step(self):
        """One tick: sensors and estimators at the stamp, then valves, then motion to the next stamp."""
        tick = (self.stamp - START) // TICK_NS
        self._imu()
        cycle = self.beacons.cycle_ns // TICK_NS
        if tick % cycle == 0:
            if tick:
                self._deliver()
            self.heard = [[] for _ in range(self.n)]
        if self.push and tick % PERIOD_TICKS == 0:
            self._command(tick)
        self._listen(tick % cycle * TICK)
        self._move()
        self.stamp += TICK_NS

    def run(self, seconds):
        for _ in range(round(seconds / TICK)):
            self.step()

    def outputs(self):
        """What each estimator says now; call before `step`, after the sensors of the last tick."""
        return [estimator.output(self.stamp - TICK_NS) for estimator in self.estimators]

    def _imu(self):
        gyro, accelerometer = self.noise.gyro, self.noise.accelerometer
        white = self.normal(6)
        mean = 0.5 * (self.rate + self.rate_before)
        rate = np.einsum("nij,nj->ni", self.gyro_matrix, mean) + self.gyro_bias
        rate = rate + math.radians(gyro.density_deg) / math.sqrt(TICK) * white[:, :3]
        force = self._wrench(self.stamp - TICK_NS)[:, :3] / self.mass * self.free[:3]
        arm = np.array(self.vehicle.inertial_sensor.position) - self.com
        force = force + np.cross((self.rate - self.rate_before) / TICK, arm)
        force = force + np.cross(self.rate, np.cross(self.rate, arm))
        force = force + accelerometer.turn_on_bias * self.accelerometer_bias
        force = force + accelerometer.density / math.sqrt(TICK) * white[:, 3:]
        if self.place == "table":
            force[:, 2] += GRAVITY
        message = np.zeros(1, IMU)
        message[0]["stamp"] = self.stamp
        for k, estimator in enumerate(self.estimators):
            message[0]["angular_velocity"] = rate[k]
            message[0]["linear_acceleration"] = force[k]
            estimator.accept_imu(message[0])
        self.at_imu = self.truth()

    def _wrench(self, start):
        """Mean force and torque about the centre of mass over the tick from `start`, body axes, shape (n, 6)."""
        wrench = np.zeros((self.n, 6))
        for k, pulses in enumerate(self.pulses):
            for valve, opened, closed in pulses:
                open_for = max(0.0, min(closed, start + TICK_NS) - max(opened, start))
                wrench[k] += open_for / TICK_NS * self.thrust[k, :, valve]
        return wrench

    def _command(self, tick):
        """Wander between random targets under simple feedback; the schedule goes to the valves and to the estimator."""
        thrusters = self.vehicle.thrusters
        period = PERIOD_TICKS * TICK
        for k, draw in enumerate(self.draws):
            if tick % 1000 == 0:
                self.target[k] = self.random_pose(k)[0] + self.rotation[k].apply(self.com)
            error = self.target[k] - self.com_position[k]
            wanted = np.clip(0.02 * error - 0.3 * self.velocity[k], -0.012, 0.012)
            spin = np.clip(0.3 * (0.1 * np.sin(0.05 * tick * TICK + np.arange(3)) - self.rate[k]), -0.05, 0.05)
            wish = np.concatenate([self.rotation[k].inv().apply(wanted), spin]) * self.free
            on = period * (np.maximum(wish, 0) @ self.directions[0] + np.maximum(-wish, 0) @ self.directions[1])
            on = np.where(
                on < thrusters.minimum_on, np.where(on > 0.3 * thrusters.minimum_on, thrusters.minimum_on, 0.0), on
            )
            on = np.minimum(on, period)
            on_ns = np.round(on * NS_PER_S).astype(np.int64)
            start = self.stamp + LEAD_TICKS * TICK_NS
            schedule = schedule_of(start, on_ns, PERIOD_TICKS * TICK_NS)
            self.estimators[k].accept_schedule(schedule[0])
            opening = round((thrusters.opening_delay + 0.5 * thrusters.rise_time) * NS_PER_S)
            closing = round((thrusters.closing_delay + 0.5 * thrusters.fall_time) * NS_PER_S)
            jitter = thrusters.delay_jitter * NS_PER_S
            self.pulses[k] = [pulse for pulse in self.pulses[k] if pulse[2] > self.stamp - 2 * TICK_NS]
            for valve in np.flatnonzero(on_ns):
                edges = draw.standard_normal(2) * jitter
                self.pulses[k].append((valve, start + opening + edges[0], start + on_ns[valve] + closing + edges[1]))

    def _listen(self, since_pulse):
        """Keep the times of flight of the chirps that leave within this tick, and in `measured` what they are."""
        self.measured = []
        slot = self.beacons.slot
        beacon = round(since_pulse / slot)
        if self.mute or abs(since_pulse - beacon * slot) > 1e-9 or beacon >= len(self.beacons.beacons):
            return
        ranging = self.noise.ranging
        sound = np.array([speed_of_sound(*air) for air in zip(self.air, self.humidity, strict=True)])
        receivers = len(self.receiver)
        white, lots = self.normal(receivers), self.uniform(receivers, 3)
        for r in range(receivers):
            flight = np.zeros(self.n)
            for _ in range(3):  # the receiver moves on while the chirp flies
                turned = self.rotation * Rotation.from_rotvec(self.rate * flight[:, None])
                ear = (
                    self.com_position
                    + self.velocity * flight[:, None]
                    + turned.apply(np.tile(self.receiver[r], (self.n, 1)))
                )
                sight = self.beacon[:, beacon] - ear
                distance = np.linalg.norm(sight, axis=1)
                flight = distance / sound
            seen = np.sum(sight * turned.apply(np.tile(self.axis[r], (self.n, 1))), axis=1) > self.cosine[r] * distance
            for k in np.flatnonzero(seen & (lots[:, r, 0] >= ranging.dropout)):
                arrival = self.stamp + flight[k] * NS_PER_S
                sigma = ranging.constant + ranging.per_metre * distance[k]
                open_now = {valve for valve, opened, closed in self.pulses[k] if opened <= arrival <= closed}
                loud = sum(self.loudness[r, valve] for valve in open_now)
                sigma *= math.sqrt(1.0 + (ranging.valve_factor**2 - 1.0) * loud)
                self.measured.append((k, beacon, r, flight[k], sigma))
                error = sigma * white[k, r]
                if lots[k, r, 1] < ranging.multipath:
                    error += ranging.multipath_shortest + lots[k, r, 2] * (
                        ranging.multipath_longest - ranging.multipath_shortest
                    )
                self.heard[k].append((beacon, r, flight[k] + error / sound[k], since_pulse))

    def _deliver(self):
        for k, estimator in enumerate(self.estimators):
            estimator.accept_ranges(cloud(self.stamp - self.beacons.cycle_ns, self.heard[k])[0])

    def _move(self):
        wrench = self._wrench(self.stamp)
        if self.disturbance_walk:
            around = self.noise.surroundings
            way = np.maximum(np.linalg.norm(self.velocity, axis=1), SLOWEST) * TICK
            walk = np.sqrt(2.0 * around.disturbance_change**2 / around.disturbance_length * way)
            self.disturbance = self.disturbance + walk[:, None] * self.normal(3) * self.free[:3]
        torque = wrench[:, 3:] - np.cross(self.rate, self.rate @ self.inertia)
        spin = (torque @ self.unload.T) * self.free[3:]
        middle = self.rotation * Rotation.from_rotvec(0.5 * TICK * self.rate)
        acceleration = (middle.apply(wrench[:, :3]) / self.mass + self.disturbance) * self.free[:3]
        self.com_position = self.com_position + TICK * self.velocity + 0.5 * TICK**2 * acceleration
        self.velocity = self.velocity + TICK * acceleration
        self.rotation = self.rotation * Rotation.from_rotvec(TICK * (self.rate + 0.5 * TICK * spin))
        self.rate_before = self.rate
        self.rate = self.rate + TICK * spin


def schedule_of(start, on_ns, period_ns):
    """All valves open at the start, each closes after its on-time."""
    schedule = np.zeros(1, SCHEDULE)
    schedule[0]["stamp"] = start
    offsets = sorted({0, period_ns, *on_ns.tolist()})
    schedule[0]["count"] = len(offsets)
    for point, offset in enumerate(offsets):
        schedule[0]["offset"][point] = offset
        schedule[0]["open"][point, : len(on_ns)] = on_ns > offset
    return schedule


def cloud(stamp, rows):
    """RANGES from rows of beacon, receiver, time of flight, time offset."""
    ranges = np.zeros(1, RANGES)
    ranges[0]["stamp"] = stamp
    ranges[0]["count"] = len(rows)
    assert len(rows) <= MAX_RANGES
    for i, (beacon, receiver, flight, offset) in enumerate(rows):
        ranges[0]["beacon"][i], ranges[0]["receiver"][i] = beacon, receiver
        ranges[0]["time_of_flight"][i], ranges[0]["time_offset"][i] = flight, offset
    return ranges


def pose_errors(world, outputs):
    """Position error m and rotation error rad about the fixed axes, each (n, 3): truth less estimate."""
    position = np.array([o["position"] for o in outputs])
    rotation = Rotation.from_quat(np.array([o["orientation"] for o in outputs]))
    return world.at_imu.position - position, (world.at_imu.orientation * rotation.inv()).as_rotvec()


def state_errors(world):
    """All 15 errors of the filters, (n, 15), truth less estimate, and their covariances, (n, 15, 15)."""
    tracks = [estimator.state[0]["now"] for estimator in world.estimators]
    truth = world.at_imu
    rotation = Rotation.from_quat(np.array([track["orientation"] for track in tracks]))
    error = np.concatenate(
        [
            truth.com_position - [track["position"] for track in tracks],
            truth.com_velocity - [track["velocity"] for track in tracks],
            (truth.orientation * rotation.inv()).as_rotvec(),
            world.gyro_bias - [track["gyro_bias"] for track in tracks],
            truth.disturbance - [track["disturbance"] for track in tracks],
        ],
        axis=1,
    )
    return error, np.array([track["covariance"][:15, :15] for track in tracks])


def normalised(error, covariance, axes):
    """Normalised estimation error squared of some axes, shape (n,)."""
    return np.array(
        [e[axes] @ np.linalg.solve(P[np.ix_(axes, axes)], e[axes]) for e, P in zip(error, covariance, strict=True)]
    )
