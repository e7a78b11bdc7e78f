"""A vehicle that looks at a drawn partner: true motions, own odometry with its errors, corners with a detector's.

All that flight believes differs from what is actual: the camera by its calibration's errors, own odometry by white
noise, a slow error of its rate and a wandering error of its velocity, each as large as it claims. The partner's motion
is that of motion.py's model with its walks, its inertias are its own. Own motion is steered by the truth: it keeps a
distance and looks at the partner, with jolts as of thrusters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.locate import locate
from testbed.description.messages import NS_PER_S, ODOMETRY
from testbed.flight.sight.calibration import Calibration
from testbed.flight.sight.look import look_at
from testbed.flight.sight.motion import HELD_HEIGHT, HELD_LEAN, RATE_TIME
from testbed.flight.sight.parameters import ACCELERATION_WALK, SPIN_WALK, VELOCITY_TIME
from testbed.flight.sight.relative_estimator import RelativeEstimator
from testbed.model.corner_errors import NORMALS
from testbed.model.corners import Corners
from testbed.plan.configuration import load_configuration

Kind = Literal["still", "spinning", "tumbling"]
STEP_NS, LOOK_NS = 20_000_000, 100_000_000
STEP = STEP_NS / NS_PER_S
START_NS = NS_PER_S
OWN_SPEED = 0.002
"""Standard deviation of the error of own odometry's velocity per axis, m/s."""
OWN_RATE = math.radians(0.02)
"""Of the slow error of its rate, rad/s."""
JOLT, TWIST = 0.005, math.radians(1.0)
"""Standard deviations of what thrusters do to the observer for 0.1 s, m/s² and rad/s²."""
NEAREST, FARTHEST = 0.5, 2.0
RATIO = 0.15
"""Standard deviation of the logarithm of a drawn partner's inertia ratio."""


@dataclass
class Body:
    """A true motion: position m and velocity m/s of base_link in the fixed frame, rate rad/s in its own axes."""

    position: np.ndarray
    velocity: np.ndarray
    turn: Rotation
    rate: np.ndarray

    def record(self, stamp: int) -> np.ndarray:
        """The exact messages.ODOMETRY, shape (1,)."""
        record = np.zeros(1, ODOMETRY)
        one = record[0]
        one["stamp"], one["position"], one["orientation"] = stamp, self.position, self.turn.as_quat()
        one["linear_velocity"], one["angular_velocity"] = self.turn.inv().apply(self.velocity), self.rate
        return record


def place_of(kind: Kind) -> Literal["table", "cabin"]:
    return "cabin" if kind == "tumbling" else "table"


def drawn_camera(generator, camera, calibration: Calibration):
    """The actual camera of a believed one."""
    lean = Rotation.from_rotvec(generator.normal(0.0, calibration.mounting, 3))
    axes = lean.as_matrix() @ camera.orientation()
    k1, *others = camera.distortion
    return camera.model_copy(
        update={
            "position": tuple(np.array(camera.position) + generator.normal(0.0, calibration.lens, 3)),
            "look": tuple(axes[:, 2]),
            "up": tuple(-axes[:, 1]),
            "focal_length_px": camera.focal_length_px * (1.0 + generator.normal(0.0, calibration.focal_length)),
            "principal_point": tuple(np.array(camera.centre) + generator.normal(0.0, calibration.centre, 2)),
            "distortion": (k1 + generator.normal(0.0, calibration.distortion), *others),
        }
    )


def drawn_ratios(generator) -> np.ndarray:
    """Logarithms of inertias about x and y over that about z, of a body that can be."""
    while True:
        ratios = generator.normal(0.0, RATIO, 2)
        inertia = np.array([*np.exp(ratios), 1.0])
        if 2.0 * inertia.max() < inertia.sum():
            return ratios


class Scene:
    """One drawn scene, stepped by 20 ms; `estimator` takes in what flight would."""

    def __init__(self, seed: int, kind: Kind) -> None:
        generator = self.generator = np.random.default_rng(seed)
        self.kind, self.place = kind, place_of(kind)
        plan = "plans/demo.yaml" if self.place == "table" else "plans/cabin-float.yaml"
        configuration = load_configuration(locate(plan))
        self.noise = configuration.noise
        self.believed = next(iter(configuration.vehicles.values()))
        partner = load_configuration(locate("plans/demo.yaml")).vehicles["siskin"]
        self.calibration = Calibration()
        self.estimator = RelativeEstimator(self.believed, partner, self.noise, self.place, self.calibration)
        self.camera = drawn_camera(generator, self.believed.camera, self.calibration)
        self.corners = Corners(self.camera, [partner])
        self.ratios = drawn_ratios(generator)
        self.time = 0
        self._draw_motions(partner)
        self._draw_own_errors()

    @property
    def stamp(self) -> int:
        return START_NS + self.time * STEP_NS

    def _draw_motions(self, partner) -> None:
        generator, planar = self.generator, self.place == "table"
        near = {"still": 0.5, "spinning": 0.9, "tumbling": 0.9}[self.kind]
        self.far = generator.uniform(1.2, FARTHEST)
        self.near = generator.uniform(near, 1.2)
        self.approach = generator.uniform(0.01, 0.03)
        bearing = generator.uniform(-math.pi, math.pi)
        self.direction = np.array([math.cos(bearing), math.sin(bearing), 0.0])
        if not planar:
            self.direction = generator.normal(0.0, 1.0, 3)
            self.direction /= np.linalg.norm(self.direction)
        height = partner.shape.floor_height if planar else 0.0
        rate = np.zeros(3)
        if self.kind == "still":  # it shows its port
            turn = Rotation.from_euler("z", bearing + math.pi + generator.uniform(-0.5, 0.5))
        elif self.kind == "spinning":
            turn = Rotation.from_euler("z", generator.uniform(-math.pi, math.pi))
            rate[2] = math.radians(generator.uniform(-6.0, 6.0))
        else:
            turn = Rotation.random(rng=generator)
            rate = generator.normal(0.0, 1.0, 3)
            rate *= math.radians(generator.uniform(4.0, 10.0)) / np.linalg.norm(rate)
        free = np.array([1.0, 1.0, 0.0 if planar else 1.0])
        self.free = free
        self.turning = np.array([0.0, 0.0, 1.0]) if planar else np.ones(3)
        self.lean = np.zeros(2)
        self.rise = 0.0
        if planar:
            self.rise, self.lean = generator.normal(0.0, HELD_HEIGHT), generator.normal(0.0, HELD_LEAN, 2)
        self.heading = turn
        self.partner = Body(np.array([0.0, 0.0, height]), free * generator.normal(0.0, 0.003, 3), turn, rate)
        place = self.partner.position - self.far * self.direction
        self.own = Body(place, np.zeros(3), looking(self.direction), np.zeros(3))
        self.jolt, self.twist = np.zeros(3), np.zeros(3)

    def _draw_own_errors(self) -> None:
        self.speed_error = self.free * self.generator.normal(0.0, OWN_SPEED, 3)
        self.rate_error = self.turning * self.generator.normal(0.0, OWN_RATE, 3)

    def step(self) -> None:
        """Go on by 20 ms and let the estimator hear of it."""
        self._move_partner()
        self._move_own()
        self._err()
        self.time += 1
        self.estimator.accept_own(self.own_odometry())

    @property
    def looking(self) -> bool:
        """Whether a picture is due."""
        return self.stamp % LOOK_NS == 0

    def look(self, dark: bool = False):
        """What is found in the picture of now (LOOK, shape (1,))."""
        count = len(self.corners.fiducials)
        normals, uniforms = self.generator.standard_normal((count, NORMALS)), self.generator.random(count)
        motions = self.shown().record(self.stamp)
        self.seen = self.corners.look(self.own.record(self.stamp), motions, normals, uniforms)
        found = {k: one["reported"] for k, one in enumerate(self.seen) if one["detected"] and not dark}
        return look_at(self.stamp, found)

    def shown(self) -> Body:
        """The partner as it is: on the table it leans and stands a little higher or lower."""
        partner = self.partner
        if self.place == "cabin":
            return partner
        turn = Rotation.from_rotvec([*self.lean, 0.0]) * partner.turn
        return Body(partner.position + np.array([0.0, 0.0, self.rise]), partner.velocity, turn, partner.rate)

    def _move_partner(self) -> None:
        partner, generator, dt = self.partner, self.generator, STEP
        walk = self.free * generator.normal(0.0, math.sqrt(ACCELERATION_WALK[self.place] * dt), 3)
        partner.position = partner.position + dt * (partner.velocity + 0.5 * walk)
        partner.velocity = partner.velocity + walk
        middle = partner.rate + 0.5 * dt * self._spin_slope(partner.rate)
        partner.turn = partner.turn * Rotation.from_rotvec(dt * middle)
        walk = self.turning * generator.normal(0.0, math.sqrt(SPIN_WALK[self.place] * dt), 3)
        partner.rate = partner.rate + dt * self._spin_slope(middle) + walk

    def _spin_slope(self, rate: np.ndarray) -> np.ndarray:
        """Euler's equations."""
        if self.place == "table":
            return np.zeros(3)
        inertia = np.array([*np.exp(self.ratios), 1.0])
        return np.asarray(-np.cross(rate, inertia * rate) / inertia)

    def _move_own(self) -> None:
        own, generator, dt = self.own, self.generator, STEP
        if self.stamp % LOOK_NS == 0:
            self.jolt, self.twist = generator.normal(0.0, JOLT, 3), generator.normal(0.0, TWIST, 3)
        distance = max(self.near, self.far - self.approach * self.time * dt)
        way = self.partner.position - distance * self.direction - own.position
        push = 0.1 * way + 0.5 * (self.partner.velocity - own.velocity)
        push = self.free * (push * min(1.0, 0.02 / max(np.linalg.norm(push), 1e-9)) + self.jolt)
        to_partner = self.partner.position - own.position
        off = (own.turn.inv() * looking(to_partner / np.linalg.norm(to_partner), own.turn)).as_rotvec()
        swing = self.turning * (np.clip(0.3 * off - 0.9 * own.rate, -0.05, 0.05) + self.twist)
        own.position = own.position + dt * (own.velocity + 0.5 * dt * push)
        own.velocity = own.velocity + dt * push
        own.turn = own.turn * Rotation.from_rotvec(dt * (own.rate + 0.5 * dt * swing))
        own.rate = own.rate + dt * swing

    def _err(self) -> None:
        for error, sigma, time, axes in (
            (self.speed_error, OWN_SPEED, VELOCITY_TIME, self.free),
            (self.rate_error, OWN_RATE, RATE_TIME, self.turning),
        ):
            keep = math.exp(-STEP / time)
            error *= keep
            error += axes * self.generator.normal(0.0, sigma * math.sqrt(1.0 - keep * keep), 3)

    def own_odometry(self) -> np.ndarray:
        """Own odometry as the own estimator would have it; flight looks at nothing but its twist."""
        odometry = self.own.record(self.stamp)
        one = odometry[0]
        white = float(self.estimator.parameters[0]["rate_variance"])
        one["linear_velocity"] += self.own.turn.inv().apply(self.speed_error)
        one["angular_velocity"] += self.rate_error + self.turning * self.generator.normal(0.0, math.sqrt(white), 3)
        one["position"], one["orientation"] = np.nan, np.nan
        speed, rate = self.free * OWN_SPEED**2, self.turning * (OWN_RATE**2 + white)
        one["twist_covariance"] = np.diag([*speed, *rate])
        return odometry

    def state_error(self) -> np.ndarray:
        """True less believed as layout.py orders it, (ERRORS,): of `now`, which `output` leaves at this stamp."""
        track, camera, believed = self.estimator.state[0]["now"], self.camera, self.believed.camera
        centre = np.array(self.estimator.parameters[0]["centre_of_mass"])
        to_own, shown = self.own.turn.inv(), self.shown()
        turn = to_own * shown.turn
        mount = Rotation.from_matrix(camera.orientation() @ believed.orientation().T)
        true = [
            to_own.apply(shown.position - self.own.position) + turn.apply(centre) - track["position"],
            to_own.apply(shown.velocity - self.own.velocity) - track["velocity"],
            (turn * Rotation.from_quat(track["orientation"]).inv()).as_rotvec(),
            shown.rate - track["spin"],
            (self.ratios if self.place == "cabin" else np.zeros(2)) - track["ratios"],
            self.rate_error - track["rate_bias"],
            to_own.apply(self.speed_error) - track["own_speed"],
            np.array(camera.position) - believed.position - track["lens"],
            mount.as_rotvec() - track["mount"],
            [camera.focal_length_px / believed.focal_length_px - 1.0 - track["focal"]],
            np.array(camera.centre) - believed.centre - track["centre"],
            [camera.distortion[0] - believed.distortion[0] - track["distortion"]],
        ]
        return np.concatenate(true)


def looking(direction: np.ndarray, near: Rotation | None = None) -> Rotation:
    """An orientation whose x axis points that way, level, or turned least from another."""
    if near is not None:
        ahead = near.apply([1.0, 0.0, 0.0])
        axis, cosine = np.cross(ahead, direction), float(ahead @ direction)
        sine = float(np.linalg.norm(axis))
        return near if sine < 1e-12 else Rotation.from_rotvec(axis / sine * math.atan2(sine, cosine)) * near
    up = np.array([0.0, 0.0, 1.0]) if abs(direction[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    left = np.cross(up, direction)
    left /= np.linalg.norm(left)
    return Rotation.from_matrix(np.column_stack([direction, left, np.cross(direction, left)]))
