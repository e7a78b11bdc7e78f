"""What touches, from descriptions: edges and walls of the room, and the features of a vehicle."""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, TICK_NS
from testbed.description.port import Port
from testbed.description.table import Table
from testbed.description.vehicle import Vehicle
from testbed.model.records import MAX_EDGES

Place = Literal["table", "cabin"]

ANYWHERE: Final = 1e9
"""Half a size that nothing leaves, m."""


def set_edges(world: np.void, room: Table | Cabin) -> None:
    """Fill the edges of a table or the walls of a cabin, and the box far from all of them.

    Raises:
        ValueError: the table has more edges than the plant has room for.

    """
    if isinstance(room, Table):
        points, normals = _sides(room)
        stiffness, restitution = room.edge_figures
        (left, low), (right, high) = room.working_area
        middle = np.array([0.5 * (left + right), 0.5 * (low + high), 0.0])
        half = np.array([0.5 * (right - left), 0.5 * (high - low), ANYWHERE])
    else:
        half = np.array(room.size) / 2.0
        middle = np.zeros(3)
        normals = np.vstack([-np.eye(3), np.eye(3)])
        points = -half * normals
        stiffness, restitution = room.wall_figures
    count = len(points)
    world["edge_count"] = count
    world["edge_point"][:count] = points
    world["edge_normal"][:count] = normals
    world["edge_stiffness"][:count] = stiffness
    world["edge_restitution"][:count] = restitution
    # the box grows around its middle until a corner meets an edge
    room_left = np.sum(normals * (middle - points), axis=1)
    growth = np.min(room_left / (np.abs(normals[:, :2]) @ half[:2] + np.abs(normals[:, 2]) * min(half[2], 1e3)))
    world["clear_low"] = middle - growth * half
    world["clear_high"] = middle + growth * half


def _sides(table: Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A point of each edge and its inward normal, shape (edges, 3) both."""
    if len(table.outline) > MAX_EDGES:
        raise ValueError(f"table {table.name}: outline has {len(table.outline)} corners, allowed: at most {MAX_EDGES}")
    corners = np.column_stack([np.array(table.outline), np.zeros(len(table.outline))])
    along = np.roll(corners, -1, axis=0) - corners
    inward = np.column_stack([-along[:, 1], along[:, 0], along[:, 2]])
    return corners, inward / np.linalg.norm(along, axis=1)[:, None]


def set_features(one: np.void, vehicle: Vehicle, place: Place) -> None:
    """Fill what touches of a vehicle in that place: its hull and the tips of its ports."""
    shape = vehicle.shape
    one["contact_radius"] = one["touch_radius"] = vehicle.contact_radius(place)
    hull = shape.hull if place == "table" else shape.flight_hull
    corners = np.zeros((1, 3)) if hull is None else np.array(hull)
    one["hull_count"] = len(corners)
    one["hull_corner"][: len(corners), : corners.shape[1]] = corners
    one["feature_count"] = 1
    one["feature_radius"][0] = one["contact_radius"] if hull is None else shape.rounding
    one["feature_extent"][0] = one["contact_radius"]
    one["feature_stiffness"][0] = shape.bumper_stiffness
    one["feature_restitution"][0] = shape.restitution
    one["feature_friction"][0] = shape.friction
    for index, port in enumerate(vehicle.ports):
        _set_port(one, index, port, place)


def _set_port(one: np.void, index: int, port: Port, place: Place) -> None:
    level = np.array([1.0, 1.0, 0.0 if place == "table" else 1.0])  # on the table heights do not count
    direction = np.array(port.direction) * level
    direction /= max(float(np.linalg.norm(direction)), 1e-12)
    front = np.array(port.place(place)) * level
    middle = front - port.tip_radius * direction
    feature = int(one["feature_count"])
    one["feature_count"] = feature + 1
    one["feature_centre"][feature] = middle
    one["feature_extent"][feature] = one["feature_radius"][feature] = port.tip_radius
    one["feature_stiffness"][feature] = port.stiffness
    one["feature_restitution"][feature] = port.restitution
    one["feature_friction"][feature] = port.friction
    one["touch_radius"] = max(float(one["touch_radius"]), float(np.linalg.norm(middle)) + port.tip_radius)

    one["port_count"] = index + 1
    one["port_position"][index], one["port_direction"][index] = front, direction
    bounds, capture = port.admittance, port.capture
    one["port_lateral"][index], one["port_angle"][index] = bounds.lateral, math.radians(bounds.angle_deg)
    one["port_slowest"][index], one["port_fastest"][index] = bounds.slowest_closing, bounds.fastest_closing
    one["port_slip"][index], one["port_rate"][index] = bounds.slip, math.radians(bounds.rate_difference_deg)
    one["port_stiffness"][index] = capture.stiffness
    one["port_turning_stiffness"][index] = capture.turning_stiffness
    one["port_damping_ratio"][index] = capture.damping_ratio
    one["port_seated_distance"][index] = capture.seated_distance
    one["port_seated_angle"][index] = math.radians(capture.seated_angle_deg)
    one["port_seated_speed"][index] = capture.seated_speed
    one["port_seated_rate"][index] = math.radians(capture.seated_rate_deg)
    one["port_seated_ticks"][index] = math.ceil(capture.seated_time * NS_PER_S / TICK_NS)
