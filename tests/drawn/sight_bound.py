"""How well a partner can be known from what was seen: the recursive Cramér-Rao bound along a scene's true motions.

Recursion for additive Gaussian noise: Tichavský, Muravchik & Nehorai, IEEE Trans. Signal Processing 46 (1998) (from
memory). Written apart from the filter: all derivatives are differences of the truth moved a little, pixels come from
description/camera.py, and the noise of each edge is that which the emulator's detector has, not what flight believes.
Held axes on the table are as the filter has them: about level, and slowly another.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.messages import NS_PER_S
from testbed.flight.sight.layout import (
    ATTITUDE,
    CAMERA,
    CENTRE,
    DISTORTION,
    ERRORS,
    FOCAL,
    LENS,
    MOUNT,
    OWN_SPEED,
    POSITION,
    RATE_BIAS,
    RATIOS,
    SPIN,
    VELOCITY,
)
from testbed.flight.sight.motion import HELD_HEIGHT, HELD_LEAN, HELD_TIME, RATE_TIME
from testbed.flight.sight.parameters import ACCELERATION_WALK, SPIN_WALK, VELOCITY_TIME
from tests.drawn import sights
from tests.drawn.sights import OWN_RATE, STEP, Scene

SMALL = 1e-5
"""Step of the differences, in the error state's units."""
SEEN = [*range(POSITION, POSITION + 3), *range(ATTITUDE, ATTITUDE + 3), *range(CAMERA, ERRORS)]
"""Errors on which pixels depend."""


class Bound:
    """Least covariance of the error state, shape (ERRORS, ERRORS), from the first look on that shows anything."""

    def __init__(self, scene: Scene) -> None:
        self.scene, self.planar = scene, scene.place == "table"
        self.covariance = np.diag(scene.estimator.parameters[0]["start_deviation"] ** 2)
        for first, free, deviation in (
            (RATE_BIAS, scene.turning, OWN_RATE),
            (OWN_SPEED, scene.free, sights.OWN_SPEED),
        ):
            self.covariance[range(first, first + 3), range(first, first + 3)] = free * deviation**2
        self.begun = False

    def before(self) -> None:
        """Note where the scene is; call ahead of some of its steps."""
        own, partner = self.scene.own, self.scene.partner
        self.stamp = self.scene.stamp
        self.turn = own.turn.inv() * partner.turn
        self.position = own.turn.inv().apply(partner.position - own.position)
        self.velocity = own.turn.inv().apply(partner.velocity - own.velocity)
        self.spin, self.own_velocity, self.own_rate = partner.rate, own.turn.inv().apply(own.velocity), own.rate

    def after(self) -> None:
        """Move on to where the scene is now."""
        if not self.begun or self.scene.stamp == self.stamp:
            return
        own, dt = self.scene.own, (self.scene.stamp - self.stamp) / NS_PER_S
        rate = 0.5 * (self.own_rate + own.rate)
        after = own.turn.inv().apply(own.velocity)
        errors = np.vstack([np.zeros(CAMERA), SMALL * np.eye(CAMERA), np.zeros((3, CAMERA))])
        rates = np.tile(rate, (len(errors), 1))
        rates[-3:] -= SMALL * np.eye(3)
        moved = self._moved(errors, rates, after, dt)
        slopes = (moved[1:] - moved[0]) / SMALL
        F, by_rate = np.eye(ERRORS), np.zeros((ERRORS, 3))
        F[:CAMERA, :CAMERA], by_rate[:CAMERA] = slopes[:CAMERA].T, slopes[CAMERA:].T
        self.covariance = F @ self.covariance @ F.T + self._noise(by_rate, dt)
        if self.planar:
            self._hold(dt)

    def _moved(self, errors: np.ndarray, rate: np.ndarray, after: np.ndarray, dt: float) -> np.ndarray:
        """Where truths that differ by `errors` (n, CAMERA) get to; attitudes count from where the first gets."""
        back = Rotation.from_rotvec(-dt * (rate - errors[:, RATE_BIAS : RATE_BIAS + 3]))
        speed = errors[:, OWN_SPEED : OWN_SPEED + 3]  # reported = true + speed, so a truth is slower by it
        faded = math.exp(-dt / VELOCITY_TIME) * back.apply(speed)
        gained = (after - faded) - back.apply(self.own_velocity - speed)
        velocity = back.apply(self.velocity + errors[:, VELOCITY : VELOCITY + 3])
        drift = self.position + errors[:, POSITION : POSITION + 3]
        position = back.apply(drift) + dt * velocity - 0.5 * dt * gained
        spin = self.spin + errors[:, SPIN : SPIN + 3]
        ratios = self.scene.ratios + errors[:, RATIOS : RATIOS + 2]
        inertia = np.column_stack([np.exp(ratios), np.ones(len(errors))])
        middle = spin + 0.5 * dt * self._slope(spin, inertia)
        small = Rotation.from_rotvec(errors[:, ATTITUDE : ATTITUDE + 3])
        turn = back * small * self.turn * Rotation.from_rotvec(dt * middle)
        away = (turn * turn[0].inv()).as_rotvec()
        bias = math.exp(-dt / RATE_TIME) * errors[:, RATE_BIAS : RATE_BIAS + 3]
        spin = spin + dt * self._slope(middle, inertia)
        return np.hstack([position, velocity - gained, away, spin, ratios, bias, faded])

    def _slope(self, spin: np.ndarray, inertia: np.ndarray) -> np.ndarray:
        return np.zeros_like(spin) if self.planar else -np.cross(spin, inertia * spin) / inertia

    def _noise(self, by_rate: np.ndarray, dt: float) -> np.ndarray:
        scene = self.scene
        white = float(scene.estimator.parameters[0]["rate_variance"]) * STEP / dt  # each sample errs by itself
        Q = by_rate @ np.diag(scene.turning * white) @ by_rate.T
        for k in range(3):
            push, speed = np.zeros(ERRORS), np.zeros(ERRORS)
            push[[POSITION + k, VELOCITY + k]] = 0.5 * dt, 1.0
            speed[[POSITION + k, VELOCITY + k, OWN_SPEED + k]] = 0.5 * dt, 1.0, 1.0
            renewed = sights.OWN_SPEED**2 * (1.0 - math.exp(-2.0 * dt / VELOCITY_TIME))
            Q += scene.free[k] * dt * ACCELERATION_WALK[scene.place] * np.outer(push, push)
            Q += scene.free[k] * renewed * np.outer(speed, speed)
            Q[SPIN + k, SPIN + k] += scene.turning[k] * dt * SPIN_WALK[scene.place]
            fresh = OWN_RATE**2 * (1.0 - math.exp(-2.0 * dt / RATE_TIME))
            Q[RATE_BIAS + k, RATE_BIAS + k] += scene.turning[k] * fresh
        return Q

    def _hold(self, dt: float) -> None:
        keep = math.exp(-dt / HELD_TIME)
        shrink, fresh = np.ones(ERRORS), np.zeros(ERRORS)
        for at, deviation in ((POSITION + 2, HELD_HEIGHT), (ATTITUDE, HELD_LEAN), (ATTITUDE + 1, HELD_LEAN)):
            shrink[at], fresh[at] = keep, (1.0 - keep**2) * deviation**2
        shrink[[VELOCITY + 2, SPIN, SPIN + 1]] = 0.0
        self.covariance = shrink[:, None] * self.covariance * shrink + np.diag(fresh)

    def after_look(self, look: np.void) -> None:
        """Add the information in what was just seen."""
        if look["count"] == 0:
            return
        self.begun = True
        scene, rows, variances = self.scene, [], []
        pixels = self._pixels(look)
        slopes = np.zeros((*pixels.shape[1:], ERRORS))
        slopes[..., SEEN] = np.moveaxis(pixels[1:] - pixels[0], 0, -1) / SMALL
        for k, marker in enumerate(look["marker"][: look["count"]]):
            edges = scene.seen[marker]["edges"]
            for i in range(4):
                j, normal = (i + 1) % 4, edges["normal"][i]
                first, second = normal @ slopes[k, i], normal @ slopes[k, j]
                rows += [0.5 * (first + second), 0.5 * (second - first)]
                variances += [edges["offset_spread"][i] ** 2, edges["tilt_spread"][i] ** 2]
        H, R = np.array(rows), np.diag(variances)
        P = self.covariance
        gain = np.linalg.solve(H @ P @ H.T + R, H @ P).T
        rest = np.eye(ERRORS) - gain @ H
        self.covariance = rest @ P @ rest.T + gain @ R @ gain.T

    def _pixels(self, look: np.void) -> np.ndarray:
        """Of the corners seen, for the truth and for each of SEEN by SMALL; shape (1 + its length, markers, 4, 2)."""
        scene, camera = self.scene, self.scene.camera
        points = np.array([scene.corners.fiducials[m][1].corners() for m in look["marker"][: look["count"]]])
        points = points.reshape(-1, 3) - scene.estimator.parameters[0]["centre_of_mass"]
        shown = scene.shown()
        to_own = scene.own.turn.inv()
        turn = to_own * shown.turn
        centre = np.array(scene.estimator.parameters[0]["centre_of_mass"])
        place = to_own.apply(shown.position - scene.own.position) + turn.apply(centre)
        pictures = []
        for e in (-1, *SEEN):
            d = np.zeros(ERRORS)
            if e >= 0:
                d[e] = SMALL
            own = Rotation.from_rotvec(d[ATTITUDE : ATTITUDE + 3]).apply(turn.apply(points)) + place + d[:3]
            axes = Rotation.from_rotvec(d[MOUNT : MOUNT + 3]).as_matrix() @ camera.orientation()
            there = (own - np.array(camera.position) - d[LENS : LENS + 3]) @ axes
            k1, *others = camera.distortion
            other = camera.model_copy(
                update={
                    "focal_length_px": camera.focal_length_px + d[FOCAL] * scene.believed.camera.focal_length_px,
                    "principal_point": tuple(np.array(camera.centre) + d[CENTRE : CENTRE + 2]),
                    "distortion": (k1 + d[DISTORTION], *others),
                }
            )
            pictures.append(other.project(there).reshape(-1, 4, 2))
        return np.array(pictures)
