"""The messages of the topic contract as structured arrays, and the rates at which they are due.

Components exchange these records; nodes translate them to ROS messages and back (nodes/convert.py), the engine passes
them on as they are. Stamps are int64 nanoseconds, so that a stamp survives the way through a message unchanged.
Quaternions are (x, y, z, w). A record never holds an object, so compiled code can fill it in place.
"""

from __future__ import annotations

from typing import Final

import numpy as np

MAX_VALVES: Final = 16
MAX_RECEIVERS: Final = 8
MAX_BEACONS: Final = 12
MAX_EMITTERS: Final = 8
MAX_BATTERY_POINTS: Final = 16
MAX_RANGES: Final = MAX_BEACONS * MAX_RECEIVERS
MAX_POINTS: Final = 2 * MAX_VALVES + 2
MAX_WAYPOINTS: Final = 16
MAX_KNOTS: Final = 64
"""Points of a planned trajectory."""
MAX_HULL: Final = 16
"""Corners of a vehicle's hull."""
MAX_PORTS: Final = 4

NS_PER_S: Final = 1_000_000_000
S_PER_NS: Final = 1.0 / NS_PER_S
TICK_NS: Final = 10_000_000
"""One tick of the plant: 10 ms, the period of `imu`."""
LOCKSTEP_START_NS: Final = 1 * NS_PER_S
"""Stamp of the first tick in lockstep and in the engine; never zero, because a zero stamp means 'not set'."""

PERIOD_NS: Final[dict[str, int]] = {
    "imu": TICK_NS,
    "odometry": 20_000_000,
    "truth": 20_000_000,
    "wrench": 50_000_000,
    "reference": 100_000_000,
    "maneuver/status": 500_000_000,
    "trajectory": 500_000_000,
    "estimate": 200_000_000,
    "supply": 200_000_000,
    "battery": NS_PER_S,
    "valves/state": 100_000_000,
    "camera": 100_000_000,
    "/plan/state": 100_000_000,
    "/contacts": 100_000_000,
    "port/state": 100_000_000,
    "/air/temperature": NS_PER_S,
}
"""Period of each periodic topic. A message is due at the first input whose stamp falls into a new period (`slot`)."""

IMU: Final = np.dtype(
    [("stamp", "i8"), ("angular_velocity", "f8", (3,)), ("linear_acceleration", "f8", (3,))], align=True
)
"""Gyro rate rad/s and specific force m/s² along the axes of imu_link."""

RANGES: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("count", "i8"),
        ("beacon", "i8", (MAX_RANGES,)),
        ("receiver", "i8", (MAX_RANGES,)),
        ("time_of_flight", "f8", (MAX_RANGES,)),
        ("time_offset", "f8", (MAX_RANGES,)),
    ],
    align=True,
)
"""One beacon cycle: times of flight s; time_offset s is the chirp's time after the stamp (the infrared start pulse)."""

RANGE_POINT: Final = np.dtype(
    [("beacon", "<u2"), ("receiver", "<u2"), ("time_of_flight", "<f8"), ("time_offset", "<f8")]
)
"""One point of the `ranges` cloud, packed little-endian; s, time_offset after the stamp (the infrared pulse)."""

INNOVATION_POINT: Final = np.dtype(
    [("beacon", "<u2"), ("receiver", "<u2"), ("innovation", "<f8"), ("variance", "<f8"), ("accepted", "u1")]
)
"""One point of the `estimate/innovations` cloud, packed little-endian: innovation m, variance m², accepted 0 or 1."""

ODOMETRY: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("position", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("linear_velocity", "f8", (3,)),
        ("angular_velocity", "f8", (3,)),
        ("pose_covariance", "f8", (6, 6)),
        ("twist_covariance", "f8", (6, 6)),
    ],
    align=True,
)
"""Pose of base_link in the fixed frame (m, quaternion), twist in base_link (m/s, rad/s).

pose_covariance: position in the fixed frame, rotation as small angles about the fixed axes (ROS convention).
Not acquired: the variances are UNKNOWN_VARIANCE.
"""

UNKNOWN_VARIANCE: Final = 1e6
"""Variance that an estimator publishes while it has no fix."""

WRENCH: Final = np.dtype([("stamp", "i8"), ("force", "f8", (3,)), ("torque", "f8", (3,))], align=True)
"""Wanted force N and torque N·m about the centre of mass, axes of base_link."""

SCHEDULE: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("count", "i8"),
        ("offset", "i8", (MAX_POINTS,)),
        ("open", "u1", (MAX_POINTS, MAX_VALVES)),
    ],
    align=True,
)
"""Stepwise valve schedule: point k sets all valves `offset[k]` ns after the stamp until point k+1; the last closes all.

count = 0 means: close now (a JointTrajectory with empty joint_names).
"""

VALVES: Final = np.dtype([("stamp", "i8"), ("open", "u1", (MAX_VALVES,))], align=True)
"""Which valves are open from the stamp on, as their holder reports it."""

MANEUVER: Final = np.dtype(
    [
        ("number", "i8"),
        ("kind", "i8"),
        ("start", "i8"),
        ("expiry", "i8"),
        ("position_given", "i8"),
        ("orientation_given", "i8"),
        ("position", "f8", (3,)),
        ("orientation", "f8", (4,)),
        ("speed_limit", "f8"),
        ("rate_limit", "f8"),
        ("duration", "f8"),
        ("gas", "f8"),
        ("deadband", "f8"),
        ("deadband_angle", "f8"),
        ("waypoint_count", "i8"),
        ("waypoint_time", "f8", (MAX_WAYPOINTS,)),
        ("waypoint_position", "f8", (MAX_WAYPOINTS, 3)),
        ("waypoint_heading", "f8", (MAX_WAYPOINTS,)),
    ],
    align=True,
)
"""One maneuver as guidance sees it: see description/maneuver.py for the meaning of each field; zero: not given."""

TRAJECTORY: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("number", "i8"),
        ("count", "i8"),
        ("offset", "i8", (MAX_KNOTS,)),
        ("position", "f8", (MAX_KNOTS, 3)),
        ("orientation", "f8", (MAX_KNOTS, 4)),
        ("velocity", "f8", (MAX_KNOTS, 3)),
        ("rate", "f8", (MAX_KNOTS, 3)),
    ],
    align=True,
)
"""A trajectory planned for the maneuver of this number: knot k is passed `offset[k]` ns after the stamp.

The stamp says when it was sent: what has begun by then has negative offsets, and without knots nothing is planned yet.
All in the fixed frame: position m and orientation of base_link, its velocity m/s, and its rate rad/s (along the fixed
axes). Between knots a cubic Hermite curve; from the last one on its velocity and rate stay. One that begins
later replaces.
"""

STATUS: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("number", "i8"),
        ("phase", "i8"),
        ("reason", "i8"),
        ("progress", "f8"),
        ("time_left", "f8"),
        ("stopping_time", "f8"),
        ("stopping_distance", "f8"),
        ("position_error", "f8"),
        ("attitude_error", "f8"),
    ],
    align=True,
)
"""Guidance's account of its maneuver; `phase` and `reason` are members of description.maneuver.Phase and Reason.

stopping_time s and stopping_distance m: what a brake under control (hold) would take from now.
"""

BATTERY: Final = np.dtype(
    [
        ("stamp", "i8"),
        ("voltage", "f8"),
        ("current", "f8"),
        ("charge", "f8"),
        ("percentage", "f8"),
        ("power_supply_health", "u1"),
    ],
    align=True,
)
"""Battery under load: V, A (negative while it discharges), charge left C, the same from 0 to 1, health."""
