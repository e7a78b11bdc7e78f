"""The plant's parameters from descriptions: what is *actual*, with this run's draws of what nobody knows exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from testbed.description.air import speed_of_sound
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.messages import MAX_VALVES, NS_PER_S, TICK_NS
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.model.battery import set_battery
from testbed.model.contact_parameters import Place, set_edges, set_features
from testbed.model.draws import Draws, Source
from testbed.model.gas_supply import set_supply
from testbed.model.records import MAX_VEHICLES, VEHICLE, WORLD
from testbed.model.surroundings import set_air_resistance, set_cabin, set_film, set_table
from testbed.model.thruster_parameters import set_valves
from testbed.model.tracking import set_tracking

_TICK = TICK_NS / NS_PER_S


def build_world(room: Table | Cabin, beacons: Beacons, noise: Noise, draws: Draws) -> NDArray[np.void]:
    """An array of one records.WORLD.

    Raises:
        ValueError: the table has more edges than the plant has room for.

    """
    world = np.zeros(1, WORLD)
    one = world[0]
    one["nodes_per_metre"], one["room_size"] = 1.0, 1.0
    if isinstance(room, Table):
        set_table(one, room)
    else:
        set_cabin(one, room)
    set_edges(one, room)
    _set_beacons(one, beacons, noise, draws)
    set_tracking(one, noise.tracking)
    return world


def build_vehicles(vehicles: Sequence[Vehicle], room: Table | Cabin, noise: Noise, draws: Draws) -> NDArray[np.void]:
    """An array of records.VEHICLE, one per vehicle.

    Raises:
        ValueError: more vehicles than the plant has room for.

    """
    if not 1 <= len(vehicles) <= MAX_VEHICLES:
        raise ValueError(f"{len(vehicles)} vehicles, allowed: 1 to {MAX_VEHICLES}")
    place: Place = "table" if isinstance(room, Table) else "cabin"
    records = np.zeros(len(vehicles), VEHICLE)
    spread = noise.surroundings.thrust * draws.generator(Source.THRUST).standard_normal((len(vehicles), MAX_VALVES))
    lean = draws.generator(Source.MISALIGNMENT).standard_normal((len(vehicles), MAX_VALVES, 2))
    for index, vehicle in enumerate(vehicles):
        one = records[index]
        _set_body(one, vehicle, place)
        if isinstance(room, Table):
            set_film(one, room, vehicle)
        else:
            set_air_resistance(one, vehicle)
        set_features(one, vehicle, place)
        set_valves(one, vehicle, place, spread[index], lean[index])
        set_supply(one, vehicle)
        set_battery(one, vehicle.battery)
        _set_receivers(one, vehicle)
    _set_inertial_sensors(records, vehicles, noise, draws)
    return records


def _set_beacons(world: np.void, beacons: Beacons, noise: Noise, draws: Draws) -> None:
    ranging = noise.ranging
    surveyed = np.array([beacon.position for beacon in beacons.beacons])
    count = len(surveyed)
    error = ranging.survey * draws.generator(Source.SURVEY).standard_normal(surveyed.shape)
    world["beacon_count"] = count
    world["beacon_position"][:count] = surveyed + error
    world["chirp_offset"][:count] = [round(slot * beacons.slot * NS_PER_S) for slot in range(count)]
    world["cycle"], world["slot"] = beacons.cycle_ns, beacons.slot
    thermometer, hygrometer = draws.generator(Source.AIR).standard_normal(2)
    temperature = beacons.air_temperature + noise.surroundings.air_temperature * thermometer
    humidity = min(max(beacons.air_humidity + noise.surroundings.air_humidity * hygrometer, 0.0), 1.0)
    world["air_temperature"], world["air_humidity"] = temperature, humidity
    world["speed_of_sound"] = speed_of_sound(temperature, humidity)
    emitters = beacons.emitter_positions
    world["emitter_count"] = len(emitters)
    world["emitter_position"][: len(emitters)] = np.reshape(emitters, (-1, 3))
    world["range_noise"], world["range_noise_per_metre"] = ranging.constant, ranging.per_metre
    world["range_noise_valve_factor"], world["valve_distance"] = ranging.valve_factor, ranging.valve_distance
    world["valve_dropout"] = ranging.valve_dropout
    world["pulse_jitter"], world["pulse_missed"] = ranging.pulse_jitter, ranging.pulse_missed
    world["occlusion"] = ranging.occlusion
    world["dropout"], world["multipath"] = ranging.dropout, ranging.multipath
    world["multipath_shortest"], world["multipath_longest"] = ranging.multipath_shortest, ranging.multipath_longest


def _set_body(one: np.void, vehicle: Vehicle, place: Place) -> None:
    body = vehicle.mass_properties(place)
    free = axis_mask(TABLE_AXES if place == "table" else CABIN_AXES)
    turning = np.flatnonzero(free[3:])
    one["mass"], one["inertia"] = body.mass, body.inertia_tensor()
    one["inverse_mass"] = free[:3] / body.mass
    # the free block alone is inverted: what holds the other axes supplies whatever torque they need
    block = np.ix_(turning, turning)
    one["inverse_inertia"][block] = np.linalg.inv(body.inertia_tensor()[block])
    one["centre_of_mass"] = body.centre_of_mass
    one["floor_height"] = vehicle.shape.floor_height if place == "table" else 0.0
    one["body_radius"] = vehicle.shape.width / 2.0


def _set_receivers(one: np.void, vehicle: Vehicle) -> None:
    one["receiver_count"] = len(vehicle.receivers)
    for index, receiver in enumerate(vehicle.receivers):
        axis = np.array(receiver.axis)
        one["receiver_position"][index] = receiver.position
        one["receiver_axis"][index] = axis / np.linalg.norm(axis)
        one["receiver_cosine"][index] = math.cos(math.radians(receiver.half_angle_deg))


def _set_inertial_sensors(records: NDArray[np.void], vehicles: Sequence[Vehicle], noise: Noise, draws: Draws) -> None:
    gyro, accelerometer = noise.gyro, noise.accelerometer
    count = len(vehicles)
    normals = draws.generator(Source.GYRO).standard_normal((count, 4, 3))
    records["gyro_turn_on_bias"] = math.radians(gyro.turn_on_bias_deg) * normals[:, 0]
    lean = math.radians(gyro.misalignment_deg)
    records["gyro_matrix"] = _sensing_matrix(gyro.scale_error * normals[:, 1], lean * normals[:, 2:])
    records["gyro_noise"] = math.radians(gyro.density_deg) / math.sqrt(_TICK)
    instability = math.radians(gyro.bias_instability_deg_per_hour) / 3600.0
    records["gyro_drift_decay"], records["gyro_drift_step"] = _drift(instability, gyro.bias_time)
    normals = draws.generator(Source.ACCELEROMETER).standard_normal((count, 4, 3))
    records["accelerometer_bias"] = accelerometer.turn_on_bias * normals[:, 0]
    lean = math.radians(accelerometer.misalignment_deg)
    records["accelerometer_matrix"] = _sensing_matrix(accelerometer.scale_error * normals[:, 1], lean * normals[:, 2:])
    records["accelerometer_noise"] = accelerometer.density / math.sqrt(_TICK)
    decay, step = _drift(accelerometer.bias_instability, accelerometer.bias_time)
    records["accelerometer_drift_decay"], records["accelerometer_drift_step"] = decay, step
    for one, vehicle in zip(records, vehicles, strict=True):
        sensor = vehicle.inertial_sensor
        one["imu_position"] = sensor.position
        one["gyro_range"], one["gyro_step"] = math.radians(sensor.gyro_range_deg), math.radians(sensor.gyro_step_deg)
        one["accelerometer_range"], one["accelerometer_step"] = sensor.accelerometer_range, sensor.accelerometer_step


def _sensing_matrix(scale: NDArray[np.float64], lean: NDArray[np.float64]) -> NDArray[np.float64]:
    """What each axis measures of a unit along each axis of imu_link, shape (n, 3, 3).

    scale: error of the scale factor of each axis, (n, 3); lean: small angles by which each axis leans towards the next
    one and the one after it, rad, (n, 2, 3). The axes need not stay at right angles.
    """
    matrix = np.zeros((len(scale), 3, 3))
    for i in range(3):
        matrix[:, i, i] = 1.0 + scale[:, i]
        matrix[:, i, (i + 1) % 3] = lean[:, 0, i]
        matrix[:, i, (i + 2) % 3] = lean[:, 1, i]
    return matrix


def _drift(deviation: float, time: float) -> tuple[float, float]:
    """Decay and noise of one step (two ticks) of a Gauss-Markov process with this standard deviation and time (s)."""
    decay = math.exp(-2.0 * _TICK / time)
    return decay, deviation * math.sqrt(1.0 - decay * decay)
