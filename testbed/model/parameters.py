"""The plant's parameters from descriptions: what is *actual*, with this run's draws of what nobody knows exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.air import speed_of_sound
from testbed.description.axes import CABIN_AXES, TABLE_AXES, axis_mask
from testbed.description.beacons import Beacons
from testbed.description.cabin import Cabin
from testbed.description.gas import NITROGEN_GAS_CONSTANT, STANDARD_GRAVITY
from testbed.description.messages import MAX_VALVES, NS_PER_S, TICK_NS
from testbed.description.noise import Noise
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.model.contact import CONTACT_STEPS, restitution_damping
from testbed.model.draws import Draws, Source
from testbed.model.records import MAX_EDGES, MAX_NODES, MAX_VEHICLES, VEHICLE, WORLD

Place = Literal["table", "cabin"]

SAG_VALVES: Final = 3
"""maximum_sag is reached with four valves open; one alone does not sag, so three more make it."""

_TICK = TICK_NS / NS_PER_S


def build_world(room: Table | Cabin, beacons: Beacons, noise: Noise, draws: Draws) -> NDArray[np.void]:
    """An array of one records.WORLD.

    Raises:
        ValueError: the table has more edges or flatness nodes than the plant has room for.

    """
    world = np.zeros(1, WORLD)
    one = world[0]
    if isinstance(room, Table):
        one["on_table"], one["gravity"] = 1, room.gravity
        one["tilt"] = np.array(room.tilt_mrad) * 1e-3
        _set_edges(one, room)
        _set_flatness(one, room)
    _set_beacons(one, beacons, noise, draws)
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
    for index, vehicle in enumerate(vehicles):
        one = records[index]
        _set_body(one, vehicle, place)
        if isinstance(room, Table):
            _set_film(one, room)
        _set_touch(one, vehicle, vehicles, place)
        _set_valves(one, vehicle, place, spread[index])
        _set_supply(one, vehicle)
        _set_receivers(one, vehicle)
    _set_inertial_sensors(records, vehicles, noise, draws)
    return records


def _set_edges(world: np.void, table: Table) -> None:
    if len(table.outline) > MAX_EDGES:
        raise ValueError(f"table {table.name}: outline has {len(table.outline)} corners, allowed: at most {MAX_EDGES}")
    corners = np.array(table.outline)
    along = np.roll(corners, -1, axis=0) - corners
    inward = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
    world["edge_count"] = len(corners)
    world["edge_point"][: len(corners)] = corners
    world["edge_normal"][: len(corners)] = inward
    world["edge_stiffness"] = table.edge_stiffness
    world["edge_damping"] = restitution_damping(table.edge_restitution)


def _set_flatness(world: np.void, table: Table) -> None:
    world["node_spacing"] = 1.0
    if table.flatness is None:
        return
    heights = np.array(table.flatness.heights_um) * 1e-6
    rows, columns = heights.shape
    if max(rows, columns) > MAX_NODES:
        raise ValueError(
            f"table {table.name}: heights_um has {rows} rows of {columns}, allowed: at most {MAX_NODES} of {MAX_NODES}"
        )
    world["node_count"] = (columns, rows)
    world["node_origin"] = table.flatness.origin
    world["node_spacing"] = table.flatness.spacing
    world["height"][:rows, :columns] = heights


def _set_beacons(world: np.void, beacons: Beacons, noise: Noise, draws: Draws) -> None:
    ranging = noise.ranging
    surveyed = np.array([beacon.position for beacon in beacons.beacons])
    count = len(surveyed)
    error = ranging.survey * draws.generator(Source.SURVEY).standard_normal(surveyed.shape)
    world["beacon_count"] = count
    world["beacon_position"][:count] = surveyed + error
    world["chirp_offset"][:count] = [round(slot * beacons.slot * NS_PER_S) for slot in range(count)]
    world["cycle"], world["slot"] = beacons.cycle_ns, beacons.slot
    thermometer_error = noise.surroundings.air_temperature * draws.generator(Source.AIR).standard_normal()
    world["air_temperature"] = beacons.air_temperature + thermometer_error
    world["speed_of_sound"] = speed_of_sound(float(world["air_temperature"]))
    world["range_noise"], world["range_noise_per_metre"] = ranging.constant, ranging.per_metre
    world["range_noise_valve_factor"] = ranging.valve_factor
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


def _set_film(one: np.void, table: Table) -> None:
    # The same film under a disc of radius R slows its turning: shear grows with the distance from the centre, which
    # gives a torque of drag·R²/2 per unit of rate.
    one["film_drag"] = one["mass"] / table.film_drag_time


def _set_touch(one: np.void, vehicle: Vehicle, vehicles: Sequence[Vehicle], place: Place) -> None:
    shape = vehicle.shape
    one["contact_radius"] = vehicle.contact_radius(place)
    one["film_drag_rotation"] = one["film_drag"] * one["contact_radius"] ** 2 / 2.0
    one["friction"] = shape.friction
    one["edge_grip"] = _grip(_mobility(vehicle, place))
    for index, partner in enumerate(vehicles):
        # a bumper's figures are those of the pair that it forms with its like
        ours, theirs = shape.bumper_stiffness, partner.shape.bumper_stiffness
        one["pair_stiffness"][index] = 2.0 * ours * theirs / (ours + theirs)
        one["pair_damping"][index] = restitution_damping(math.sqrt(shape.restitution * partner.shape.restitution))
        one["pair_friction"][index] = math.sqrt(shape.friction * partner.shape.friction)
        one["pair_grip"][index] = _grip(_mobility(vehicle, place) + _mobility(partner, place))


def _mobility(vehicle: Vehicle, place: Place) -> float:
    """Acceleration of the rim per tangential force on it, 1/kg, at most."""
    body = vehicle.mass_properties(place)
    return 1.0 / body.mass + vehicle.contact_radius(place) ** 2 / min(body.inertia)


def _grip(mobility: float) -> float:
    """Tangential damping, N·s/m, that takes half of the sliding in one step: well inside what Runge-Kutta follows."""
    return 0.5 * CONTACT_STEPS / (_TICK * mobility)


def _set_valves(one: np.void, vehicle: Vehicle, place: Place, spread: NDArray[np.float64]) -> None:
    thrusters = vehicle.thrusters
    count = len(thrusters.valves)
    gain = np.maximum(0.0, 1.0 + spread[:count])
    wrench = thrusters.wrench_matrix(vehicle.mass_properties(place).centre_of_mass) * gain
    one["valve_count"] = count
    one["valve_thrust"][:count] = gain * [valve.thrust for valve in thrusters.valves]
    one["valve_force"][:count] = wrench[:3].T
    one["valve_torque"][:count] = wrench[3:].T
    one["opening_delay"], one["closing_delay"] = thrusters.opening_delay, thrusters.closing_delay
    one["delay_jitter"] = thrusters.delay_jitter
    one["rise_time"], one["fall_time"] = thrusters.rise_time, thrusters.fall_time
    one["sag_per_valve"] = thrusters.maximum_sag / SAG_VALVES


def _set_supply(one: np.void, vehicle: Vehicle) -> None:
    gas = vehicle.gas
    one["exhaust_speed"] = gas.specific_impulse * STANDARD_GRAVITY
    one["pressure_per_mass"] = NITROGEN_GAS_CONSTANT * gas.temperature / gas.volume
    one["reserve_pressure"] = gas.reserve_pressure
    one["idle_power"], one["valve_power"] = vehicle.battery.idle_power, vehicle.battery.valve_power


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
    gyro_draws = draws.generator(Source.GYRO).standard_normal((count, 2, 3))
    records["gyro_turn_on_bias"] = math.radians(gyro.turn_on_bias_deg) * gyro_draws[:, 0]
    records["gyro_scale"] = gyro.scale_error * gyro_draws[:, 1]
    records["gyro_noise"] = math.radians(gyro.density_deg) / math.sqrt(_TICK)
    decay = math.exp(-_TICK / gyro.bias_time)
    records["gyro_drift_decay"] = decay
    instability = math.radians(gyro.bias_instability_deg_per_hour) / 3600.0
    records["gyro_drift_step"] = instability * math.sqrt(1.0 - decay * decay)
    records["accelerometer_bias"] = accelerometer.turn_on_bias * draws.generator(Source.ACCELEROMETER).standard_normal(
        (count, 3)
    )
    records["accelerometer_noise"] = accelerometer.density / math.sqrt(_TICK)
    for index, vehicle in enumerate(vehicles):
        records[index]["imu_position"] = vehicle.inertial_sensor.position
        records[index]["gyro_range"] = math.radians(vehicle.inertial_sensor.gyro_range_deg)
        records[index]["accelerometer_range"] = vehicle.inertial_sensor.accelerometer_range
