"""The estimator in the whole closed loop, in the engine: drawn vehicles in drawn worlds, thrusters firing, many seeds.

Each seed has its own vehicle, layout of thrusters, world and noise; what is actual differs from what is believed. The
vehicle wanders between poses of the plan below. Every EPOCH seconds the estimator is held against the plant.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from testbed.description.effects import Effect, switch_off
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.flight.estimation import ACQUIRED
from testbed.model.environment import air_drag, film_drag
from testbed.model.table_surface import surface_slope
from testbed.plan.configuration import Configuration, load_configuration
from testbed.plan.maneuvers import Hold, Rotate, Translate
from testbed.rehearsal.lockstep import LockstepRehearsal
from tests.drawn.vehicles import drawn_vehicle, drawn_world

EPOCH = 10.0
FREE = {"table": [0, 1, 3, 4, 8], "cabin": list(range(9))}
"""Free components of position, velocity and attitude."""
LEARNT = {"table": [11, 12, 13], "cabin": list(range(9, 15))}
"""Free components of gyro bias and disturbance."""
REACH = (1.2, 0.9, 0.5)
"""How far from the middle the drawn poses lie, m."""
SHORTEST_LEG = 15.0
PLANS = {"table": "first-float", "cabin": "cabin-float"}
UNMODELLED = (Effect.MULTIPATH,)
"""What the filter has no state and no noise for; the thermometer's error is one of its states and stays on."""


@dataclass
class Watched:
    """What was seen of all seeds; the first axes are seed and epoch."""

    error: np.ndarray  # of 15 states, truth less estimate; NaN where not acquired
    covariance: np.ndarray
    innovations: np.ndarray  # sum of squared normalised innovations of the cycle that ends at or before the epoch
    ranges: np.ndarray  # how many they are
    place: str

    def normalised(self, axes) -> np.ndarray:
        """Normalised estimation error squared over its degrees of freedom, shape (seeds, epochs)."""
        e, P = self.error[..., axes], self.covariance[..., axes, :][..., axes]
        return np.einsum("sei,sei->se", e, np.linalg.solve(P, e[..., None])[..., 0]) / len(axes)

    def mean_and_band(self, axes, share=0.95):
        """Mean over the seeds of each epoch, and its band of that share: 1 is nominal."""
        n = len(self.error) * len(axes)
        return self.normalised(axes).mean(axis=0), chi2.ppf((0.5 - share / 2, 0.5 + share / 2), n) / n

    def pooled_innovations(self, share=0.95):
        """Mean squared normalised innovation of each epoch's cycle over the seeds, and its band, (epochs, 2)."""
        count = self.ranges.sum(axis=0)
        band = np.array([chi2.ppf((0.5 - share / 2, 0.5 + share / 2), n) / n for n in count])
        return self.innovations.sum(axis=0) / count, band


def inside(means, band) -> float:
    """Share of epochs whose mean lies in its band."""
    low, high = np.asarray(band).T
    return float(np.mean((low < means) & (means < high)))


@cache
def session(place: str) -> Configuration:
    """The demo's session with one vehicle in that place."""
    return load_configuration(locate(f"plans/{PLANS[place]}.yaml"))


def wandering(generator: np.random.Generator, configuration: Configuration, legs: int) -> Configuration:
    """The same session with a plan that moves to drawn poses, turns there and holds."""
    run, steps = configuration.plan.runs[0], []
    for _ in range(legs):
        x, y, z = generator.uniform(-1.0, 1.0, 3) * REACH
        roll, pitch, yaw = generator.uniform(-1.0, 1.0, 3) * (60.0, 60.0, 180.0)
        if configuration.place == "table":
            steps.append(Translate(kind="translate", x=x, y=y))
            steps.append(Rotate(kind="rotate", heading_deg=yaw))
        else:
            steps.append(Translate(kind="translate", x=x, y=y, z=z))
            steps.append(Rotate(kind="rotate", attitude_deg=(roll, pitch, yaw)))
        steps.append(Hold(kind="hold", duration=generator.uniform(2.0, 10.0)))
    maneuvers = {name: tuple(steps) for name in configuration.vehicles}
    run = run.model_copy(update={"maneuvers": maneuvers, "time_limit": 3600.0, "tries": 1})
    return replace(configuration, plan=configuration.plan.model_copy(update={"runs": (run,), "abort": ()}))


def fly(seed: int, place: str, epochs: int, off=UNMODELLED):
    """Errors, covariances, innovations and their number of one seed at each epoch."""
    generator = np.random.default_rng(seed)
    configuration = wandering(generator, session(place).with_seed(seed), round(epochs * EPOCH / SHORTEST_LEG) + 1)
    vehicle = drawn_vehicle(generator, next(iter(configuration.vehicles.values())))
    configuration = replace(configuration, vehicles={vehicle.name: vehicle})
    rehearsal = LockstepRehearsal(configuration, switch_off(off, drawn_world(generator, configuration)))
    error, covariance = np.full((epochs, 15), np.nan), np.full((epochs, 15, 15), np.nan)
    squares, count = np.zeros(epochs), np.zeros(epochs)
    for epoch in range(epochs):
        until = LOCKSTEP_START_NS + round((epoch + 1) * EPOCH * NS_PER_S)
        while rehearsal.stamp < until:
            rehearsal.step()
        s = rehearsal.flight.estimator_state[0]
        if s["phase"] == ACQUIRED:
            error[epoch], covariance[epoch] = state_error(rehearsal), s["now"]["covariance"][:15, :15]
            n = s["innovation_count"]
            squares[epoch] = np.sum(s["innovation"][:n] ** 2 / s["innovation_variance"][:n])
            count[epoch] = n
    return error, covariance, squares, count


def state_error(rehearsal: LockstepRehearsal) -> np.ndarray:
    """Error of the 15 motion states, truth less estimate."""
    track = rehearsal.flight.estimator_state[0]["now"]
    plant, vehicle, world = rehearsal.plant.states[0], rehearsal.plant.vehicles[0], rehearsal.plant.world[0]
    turn = Rotation.from_quat(plant["orientation"]) * Rotation.from_quat(track["orientation"]).inv()
    bias = vehicle["gyro_turn_on_bias"] + plant["gyro_drift"] - track["gyro_bias"]
    if world["on_table"]:
        bias = bias + Rotation.from_quat(plant["orientation"]).inv().apply(world["frame_rate"])
    return np.concatenate(
        [
            plant["centre"] - track["position"],
            plant["velocity"] - track["velocity"],
            turn.as_rotvec(),
            bias,
            disturbance(world, vehicle, plant) - known_drag(rehearsal, plant["velocity"]) - track["disturbance"],
        ]
    )


def disturbance(world, vehicle, plant) -> np.ndarray:
    """Acceleration that is not of the valves, m/s²: pull downhill and film, or drift of the cabin and its air."""
    velocity, rate = plant["velocity"], plant["rate"]
    if world["on_table"]:
        pull = [-world["gravity"] * slope for slope in surface_slope(world, *plant["position"][:2])] + [0.0]
        force, _ = film_drag(vehicle, velocity, rate)
    else:
        pull = world["steady_acceleration"]
        force, _ = air_drag(world, vehicle, plant["centre"], velocity, rate)
    return np.array(pull) + np.array(force) / vehicle["mass"]


def known_drag(rehearsal: LockstepRehearsal, velocity) -> np.ndarray:
    """The part of it that the estimator reckons with from what it believes of its room, m/s²."""
    p = rehearsal.flight.estimator[0]
    return -(p["linear_drag"] + p["square_drag"] * np.linalg.norm(velocity)) * velocity


def watch(seeds, place: str, epochs: int, off=UNMODELLED) -> Watched:
    """Fly all seeds."""
    rows = [fly(seed, place, epochs, off) for seed in seeds]
    return Watched(*(np.array(part) for part in zip(*rows, strict=True)), place=place)
