"""The estimator's parameters from what is believed of vehicle, beacons and noise."""

from __future__ import annotations

import itertools
import math
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.air import speed_of_sound
from testbed.description.axes import axis_mask
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.noise import Noise
from testbed.description.rotation import from_heading
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.flight.estimation import thrust_errors
from testbed.flight.estimation.layout import AIR, BEACONS, BIAS, MOTION_ERRORS, PARAMETERS, STATE
from testbed.flight.modulation import supply

CONE_MARGIN_DEG: Final = 15.0
"""A receiver may hear this much beyond its cone before a pose is disbelieved, degrees."""
NEAREST: Final = 0.03
"""Distance below which a nozzle gets no louder at a receiver, m: the size of the jet itself."""
HEADINGS: Final = 12
"""Attitudes to start from on the floor: one every 30 degrees."""


def believed_parameters(
    vehicle: Vehicle,
    beacons: Beacons,
    noise: Noise,
    place: Literal["table", "cabin"],
    active_axes: tuple[str, ...],
    room: Table | Cabin | None = None,
) -> NDArray[np.void]:
    """Return PARAMETERS, shape (1,). Raises ValueError for held axes other than z, roll and pitch."""
    free = axis_mask(active_axes)
    if not free[[0, 1, 5]].all():
        raise ValueError(
            f"active_axes is {active_axes!r}, allowed: x, y and yaw always free; z, roll, pitch free or held"
        )
    parameters = np.zeros(1, PARAMETERS)
    p: Any = parameters[0]
    body = vehicle.mass_properties(place)
    p["mass"] = body.mass
    p["centre_of_mass"] = body.centre_of_mass
    p["free"] = free
    p["held_height"] = vehicle.shape.floor_height + body.centre_of_mass[2]
    _valves(p, vehicle, noise, body.mass)
    _inertial_sensor(p, noise)
    p["sensor_arm"] = np.array(vehicle.inertial_sensor.position) - p["centre_of_mass"]
    p["disturbance_sigma"] = noise.surroundings.disturbance
    p["disturbance_walk"] = 2.0 * noise.surroundings.disturbance_change**2 / noise.surroundings.disturbance_length
    if room is not None:
        _room(p, vehicle, room)
    _ranging(p, vehicle, beacons, noise)
    _gyro_errors(p, noise)
    starts = start_orientations(bool(free[3] or free[4]))
    p["start_count"] = len(starts)
    p["start_orientation"][: len(starts)] = starts
    return parameters


def initial_state(parameters: NDArray[np.void], beacons: Beacons) -> NDArray[np.void]:
    """Return STATE, shape (1,): searching, gyro bias zero with its spread at switch-on."""
    state = np.zeros(1, STATE)
    s: Any = state[0]
    s["supply"]["strength"] = supply.rest_strength(parameters[0]["supply"])
    s["correction_rate"] = thrust_errors.USUAL_RATE
    s["air_temperature"] = beacons.air_temperature
    s["speed_of_sound"] = speed_of_sound(beacons.air_temperature, beacons.air_humidity)
    for track in ("anchor", "now", "saved"):
        s[track]["orientation"] = (0.0, 0.0, 0.0, 1.0)
    bias = np.arange(BIAS, BIAS + 3)
    p = parameters[0]
    s["anchor"]["covariance"][bias, bias] = p["bias_sigma"] ** 2
    gyro = p["gyro_errors_at"] + np.arange(p["gyro_errors"])
    s["anchor"]["covariance"][gyro, gyro] = p["gyro_sigma"][: p["gyro_errors"]] ** 2
    if p["range_constants"]:
        survey = np.arange(BEACONS, p["gyro_errors_at"])
        s["anchor"]["covariance"][AIR, AIR] = p["sound_error"] ** 2
        s["anchor"]["covariance"][survey, survey] = p["range_survey"] ** 2
    return state


def start_orientations(tilted: bool) -> NDArray[np.float64]:
    """Attitudes to start the pose fit from, shape (n, 4): headings, or the 24 rotations of a cube for any attitude."""
    if not tilted:
        return np.array([from_heading(2.0 * math.pi * k / HEADINGS) for k in range(HEADINGS)])
    rotations = []
    half, root = 0.5, math.sqrt(0.5)
    rotations += [np.eye(4)[k] for k in range(4)]
    rotations += [np.array([*signs, half]) for signs in itertools.product((-half, half), repeat=3)]
    for first, second in itertools.combinations(range(4), 2):
        for sign in (root, -root):
            q = np.zeros(4)
            q[first], q[second] = root, sign
            rotations.append(q)
    return np.array(rotations)


def _room(p: Any, vehicle: Vehicle, room: Table | Cabin) -> None:
    if isinstance(room, Table):
        p["linear_drag"] = 1.0 / room.film_drag_time
        return
    p["square_drag"] = 0.5 * room.air_density * vehicle.air.drag_coefficient * vehicle.air.area / p["mass"]
    if room.orbit.rate > 0.0:
        p["frame_moves"], p["frame_rate"], p["tidal"] = 1, room.orbit.frame_rate, room.orbit.tidal


def _valves(p: Any, vehicle: Vehicle, noise: Noise, mass: float) -> None:
    thrusters = vehicle.thrusters
    p["valve_count"] = len(thrusters.valves)
    for k, valve in enumerate(thrusters.valves):
        p["push"][k] = valve.force() / mass
        p["push_size"][k] = np.linalg.norm(p["push"][k])
        p["push_direction"][k] = p["push"][k] / p["push_size"][k]
    p["opening_shift"] = round((thrusters.opening_delay + 0.5 * thrusters.rise_time) * NS_PER_S)
    p["closing_shift"] = round((thrusters.closing_delay + 0.5 * thrusters.fall_time) * NS_PER_S)
    ramp = 0.25 * (thrusters.rise_time + thrusters.fall_time)
    p["edge_doubt"] = max((ramp + 3.0 * thrusters.delay_jitter) * NS_PER_S, 1.0)
    p["valves_reported"] = vehicle.estimator.valve_forces == "reported"
    p["supply"] = supply.supply_parameters(vehicle)[0]
    p["thrust_error"] = noise.surroundings.thrust
    p["thrust_lean"] = math.radians(thrusters.misalignment_deg)
    p["shared_thrust_error"] = noise.surroundings.shared_thrust


def _inertial_sensor(p: Any, noise: Noise) -> None:
    gyro, accelerometer = noise.gyro, noise.accelerometer
    p["gyro_density"] = math.radians(gyro.density_deg)
    p["bias_sigma"] = math.radians(gyro.turn_on_bias_deg)
    drift = math.radians(gyro.bias_instability_deg_per_hour) / 3600.0
    p["bias_walk"] = 2.0 * drift**2 / gyro.bias_time
    sample = accelerometer.density / math.sqrt(TICK_NS / NS_PER_S)
    # Six sigma of a sample, four of the bias, and what a valve can do within the interval that its mean does not show.
    p["bump_threshold"] = 6.0 * sample + 4.0 * accelerometer.turn_on_bias + 2.0 * np.abs(p["push"]).max()


def _ranging(p: Any, vehicle: Vehicle, beacons: Beacons, noise: Noise) -> None:
    ranging = noise.ranging
    p["range_constant"] = ranging.constant
    p["range_per_metre"] = ranging.per_metre
    p["range_jitter"] = ranging.pulse_jitter * speed_of_sound(beacons.air_temperature, beacons.air_humidity)
    p["range_survey"] = ranging.survey
    p["air_humidity"] = beacons.air_humidity
    p["sound_error"] = _sound_error(beacons, noise)
    constants = ranging.survey > 0.0 or p["sound_error"] > 0.0
    p["range_constants"] = constants
    p["errors"] = BEACONS + 3 * len(beacons.beacons) if constants else MOTION_ERRORS
    p["beacon_count"] = len(beacons.beacons)
    for k, beacon in enumerate(beacons.beacons):
        p["beacon"][k] = beacon.position
    p["receiver_count"] = len(vehicle.receivers)
    for k, receiver in enumerate(vehicle.receivers):
        axis = np.array(receiver.axis)
        p["arm"][k] = np.array(receiver.position) - p["centre_of_mass"]
        p["receiver_axis"][k] = axis / np.linalg.norm(axis)
        p["receiver_cosine"][k] = math.cos(math.radians(min(receiver.half_angle_deg + CONE_MARGIN_DEG, 180.0)))
        for v, valve in enumerate(vehicle.thrusters.valves):
            away = max(math.dist(receiver.position, valve.position), NEAREST)
            p["range_loudness"][k, v] = (ranging.valve_factor**2 - 1.0) * (ranging.valve_distance / away) ** 2


def _gyro_errors(p: Any, noise: Noise) -> None:
    """Put those entries of the gyro's error matrix into the error state that act: row and column free to turn."""
    scale, lean = noise.gyro.scale_error, math.radians(noise.gyro.misalignment_deg)
    p["gyro_errors_at"] = p["errors"]
    for row, column in itertools.product(range(3), repeat=2):
        sigma = scale if row == column else lean
        if sigma > 0.0 and p["free"][3 + row] and p["free"][3 + column]:
            g = p["gyro_errors"]
            p["gyro_row"][g], p["gyro_column"][g], p["gyro_sigma"][g] = row, column, sigma
            p["gyro_errors"] += 1
    p["errors"] += p["gyro_errors"]


def _sound_error(beacons: Beacons, noise: Noise) -> float:
    """Standard deviation of the speed of sound as computed from measured air, fraction: thermometer and hygrometer."""
    temperature, around = beacons.air_temperature, noise.surroundings
    wettest = speed_of_sound(temperature, 1.0) / speed_of_sound(temperature, 0.0) - 1.0  # in proportion to humidity
    return math.hypot(0.5 * around.air_temperature / temperature, wettest * around.air_humidity)
