"""Parameters of the plant that describe table and cabin: what environment.py and table_surface.py read."""

from __future__ import annotations

import math

import numpy as np

from testbed.description.cabin import Cabin
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle


def set_table(world: np.void, table: Table) -> None:
    """Fill gravity (a plumb line's, centrifugal acceleration in it), slope, heights and the Earth's rotation."""
    world["on_table"], world["gravity"] = 1, table.gravity
    world["tilt"] = np.array(table.tilt_mrad) * 1e-3
    _set_flatness(world, table)
    latitude, north = math.radians(table.latitude_deg), math.radians(table.north_deg)
    level = math.cos(latitude)
    axis = np.array([level * math.cos(north), level * math.sin(north), math.sin(latitude)])
    world["frame_rate"] = table.earth_rate * axis
    bearing = table.bearing
    world["carriage_pressure_fall"] = (bearing.start_pressure - bearing.float_pressure) / table.bearing_supply_time
    world["float_pressure"], world["landing_friction"] = bearing.float_pressure, bearing.friction
    world["frame_moves"] = table.earth_rate != 0.0


def set_cabin(world: np.void, cabin: Cabin) -> None:
    """Fill the orbit's frame and the air."""
    rate = cabin.orbit.rate
    world["frame_moves"] = rate != 0.0 or any(cabin.orbit.steady_acceleration)
    world["frame_rate"], world["tidal"] = cabin.orbit.frame_rate, cabin.orbit.tidal
    world["gravity_gradient"] = 3.0 * rate**2
    world["steady_acceleration"] = cabin.orbit.steady_acceleration
    world["air_density"] = cabin.air_density
    world["air_velocity"] = cabin.ventilation.velocity
    world["circulation_speed"] = cabin.ventilation.circulation_speed
    world["room_size"] = cabin.size


def set_film(one: np.void, table: Table, vehicle: Vehicle) -> None:
    """Fill the drag of the air film under a vehicle's carriage; records.VEHICLE has its mass already.

    The same film under a disc of radius R slows its turning: shear grows with the distance from the centre, which gives
    a torque of drag·R²/2 per unit of rate.
    """
    one["film_drag"] = one["mass"] / table.film_drag_time
    one["film_drag_rotation"] = one["film_drag"] * vehicle.contact_radius("table") ** 2 / 2.0
    one["spin_drag"] = table.spin_drag
    one["rubbing_radius"] = vehicle.contact_radius("table") * 2.0 / 3.0


def set_air_resistance(one: np.void, vehicle: Vehicle) -> None:
    """Fill what the air of a cabin holds against a vehicle."""
    one["air_drag_area"] = vehicle.air.drag_coefficient * vehicle.air.area
    one["rotation_damping"], one["rotation_drag"] = vehicle.air.rotation_damping, vehicle.air.rotation_drag


def _set_flatness(world: np.void, table: Table) -> None:
    if table.flatness is None:
        return
    grid = table.flatness.grid(table.outline)
    rows, columns = grid.heights.shape
    world["node_count"] = (columns, rows)
    world["node_origin"], world["nodes_per_metre"] = grid.origin, 1.0 / grid.spacing
    world["height"][:rows, :columns] = grid.heights
