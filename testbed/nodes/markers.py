"""`/markers`: planned paths, places, discs to keep apart and zones to keep out of, for displays."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from geometry_msgs.msg import Point, Vector3
from numpy.typing import NDArray
from rclpy.duration import Duration
from std_msgs.msg import ColorRGBA
from visualization_msgs.msg import Marker, MarkerArray

from testbed.flight.formation import Order, Tasks, Zone
from testbed.nodes.contract import Contract
from testbed.nodes.topics import to_time

PATH: Final = ColorRGBA(r=0.1, g=0.4, b=0.8, a=1.0)
PLACE: Final = ColorRGBA(r=0.1, g=0.6, b=0.3, a=0.8)
DISC: Final = ColorRGBA(r=0.1, g=0.4, b=0.8, a=0.15)
ZONE: Final = ColorRGBA(r=0.8, g=0.2, b=0.1, a=0.4)
WIDTH: Final = 0.01
"""Of a line, m."""
LASTS: Final = Duration(seconds=2.0)
"""What is not sent again for so long disappears from displays."""
CORNERS: Final = 24
"""Of a circle drawn as a line."""


class Markers:
    """Collects what there is to show of each vehicle and sends it at every planning tick, 2 Hz."""

    def __init__(self, contract: Contract, frame: str, tasks: Tasks) -> None:
        self._out = contract.publisher("/markers")
        self._frame, self._tasks = frame, tasks
        self._shown: dict[str, tuple[np.void, Order]] = {}

    def take(self, name: str, trajectory: np.void, order: Order) -> None:
        """Note what a vehicle has been told: one messages.TRAJECTORY."""
        self._shown[name] = trajectory, order

    def send(self, stamp: int) -> None:
        """Publish what was noted since the last call, and the zones."""
        markers = [marker for name, shown in self._shown.items() for marker in self._of_vehicle(name, stamp, *shown)]
        zones = next((task.zones for task in self._tasks.values()), ())
        markers += [self._zone(index, zone, stamp) for index, zone in enumerate(zones)]
        self._shown.clear()
        if markers:
            self._out.publish(MarkerArray(markers=markers))

    def _of_vehicle(self, name: str, stamp: int, trajectory: np.void, order: Order) -> list[Marker]:
        points = trajectory["position"][: trajectory["count"]]
        if not len(points):
            return []
        required = self._tasks[order.run, order.formation].keeping.required
        ahead = points[int(np.searchsorted(trajectory["offset"][: len(points)], 0)) :]
        return [
            self._line(f"{name} path", 0, ahead if len(ahead) > 1 else points, stamp, PATH),
            self._cylinder(f"{name} place", points[-1], 0.05, stamp, PLACE),
            self._cylinder(f"{name} disc", ahead[0] if len(ahead) else points[-1], required, stamp, DISC),
        ]

    def _line(self, space: str, number: int, points: NDArray[np.float64], stamp: int, color: ColorRGBA) -> Marker:
        marker = self._marker(space, number, Marker.LINE_STRIP, stamp, color)
        marker.scale.x = WIDTH
        marker.points = [_point(point) for point in points]
        return marker

    def _cylinder(self, space: str, at: Sequence[float], diameter: float, stamp: int, color: ColorRGBA) -> Marker:
        marker = self._marker(space, 0, Marker.CYLINDER, stamp, color)
        marker.pose.position = _point(at)
        marker.scale = Vector3(x=diameter, y=diameter, z=WIDTH)
        return marker

    def _zone(self, index: int, zone: Zone, stamp: int) -> Marker:
        """A zone's outline: on the table a closed line; in space a ball, or the corners of a hull."""
        corners = zone.vertices
        if corners.shape[1] == 3:
            ball = len(corners) == 1
            marker = self._marker("zone", index, Marker.SPHERE if ball else Marker.POINTS, stamp, ZONE)
            size = 2.0 * zone.radius if ball else 0.05
            marker.scale = Vector3(x=size, y=size, z=size)
            if ball:
                marker.pose.position = _point(corners[0])
            else:
                marker.points = [_point(corner) for corner in corners]
            return marker
        if len(corners) == 1:
            angles = 2.0 * math.pi * np.arange(CORNERS) / CORNERS
            corners = corners[0] + zone.radius * np.column_stack([np.cos(angles), np.sin(angles)])
        closed = np.vstack([corners, corners[:1]])
        return self._line("zone", index, np.column_stack([closed, np.zeros(len(closed))]), stamp, ZONE)

    def _marker(self, space: str, number: int, kind: int, stamp: int, color: ColorRGBA) -> Marker:
        marker = Marker(ns=space, id=number, type=kind, action=Marker.ADD, color=color, lifetime=LASTS.to_msg())
        marker.header.frame_id, marker.header.stamp = self._frame, to_time(stamp)
        marker.pose.orientation.w = 1.0
        return marker


def _point(at: Any) -> Point:
    x, y, z = (float(value) for value in at)
    return Point(x=x, y=y, z=z)
