"""Every topic of the contract: name, type, quality of service, who sends it to whom, how often.

One table, so that a lab that swaps a part in has one place to look. A name without a leading slash lives in the
vehicle's namespace (`/wren/imu`). Everything is published reliable. A subscriber asks best effort on wall time, because
foreign drivers may offer only that, and reliable in lockstep, where no message may be lost; latched topics (transient
local) and those marked `always_reliable`, of which each message counts and none comes from a driver, are asked reliable
on both.
"""

from __future__ import annotations

import importlib
from dataclasses import dataclass, replace
from typing import Any, Final

from builtin_interfaces.msg import Time
from diagnostic_msgs.msg import DiagnosticArray
from geometry_msgs.msg import PoseStamped, Vector3Stamped, WrenchStamped
from nav_msgs.msg import Odometry
from rclpy.qos import QoSDurabilityPolicy, QoSHistoryPolicy, QoSProfile, QoSReliabilityPolicy
from rosgraph_msgs.msg import Clock
from sensor_msgs.msg import BatteryState, CameraInfo, FluidPressure, Image, Imu, JointState, PointCloud2, Temperature
from std_msgs.msg import Bool, Header, String
from trajectory_msgs.msg import JointTrajectory, MultiDOFJointTrajectory
from visualization_msgs.msg import MarkerArray

from testbed.record import contract

LOCKSTEP_DEPTH: Final = 1000
"""Queue depth in lockstep and for the recorder: deep enough that a slow reader loses nothing."""
WALL_DEPTH: Final = 10


def transform_type() -> Any:
    """Type of `/tf`, where tf2_msgs is installed, which pip has not; else None."""
    try:
        return importlib.import_module("tf2_msgs.msg").TFMessage
    except ImportError:
        return None


TRANSFORM: Final = transform_type()


@dataclass(frozen=True)
class Topic:
    """One row of the contract.

    hearers: subscribers among our own nodes besides the recorder: so many, and so many more for each vehicle;
    in_formation: so many more where the plan has formations.
    """

    name: str
    type: Any
    meaning: str
    sender: str
    receivers: str
    rate: str
    latched: bool = False
    always_reliable: bool = False
    hearers: tuple[int, int] = (0, 0)
    in_formation: int = 0

    def full_name(self, vehicle: str = "") -> str:
        """Absolute name; `vehicle` is the namespace for a topic that has no leading slash."""
        return self.name if self.name.startswith("/") else f"/{vehicle}/{self.name}"


VEHICLE_TOPICS: Final = (
    Topic("imu", Imu, "angular rate and specific force", "plant", "estimator", "100 Hz", hearers=(1, 0)),
    Topic(
        "ranges",
        PointCloud2,
        "times of flight of one beacon cycle",
        "metrology",
        "estimator",
        "each cycle",
        hearers=(1, 0),
    ),
    Topic(
        "camera/image_raw",
        Image,
        "picture of partners, where the plan switches the camera on",
        "plant",
        "relative estimator",
        "10 Hz",
    ),
    Topic("camera/camera_info", CameraInfo, "lens and size of the pictures", "plant", "relative estimator", "10 Hz"),
    Topic(
        "odometry",
        Odometry,
        "estimated pose and twist with covariance",
        "estimator",
        "guidance, thruster driver, radio, formation, others",
        "50 Hz",
        hearers=(4, 0),
        in_formation=1,
    ),
    Topic("estimate/bias", Vector3Stamped, "estimated gyro bias", "estimator", "evaluation, displays", "5 Hz"),
    Topic(
        "estimate/disturbance",
        WrenchStamped,
        "estimated steady force",
        "estimator",
        "guidance, displays",
        "5 Hz",
        hearers=(1, 0),
    ),
    Topic("estimate/innovations", PointCloud2, "innovations of the last cycle", "estimator", "evaluation", "5 Hz"),
    Topic(
        "maneuver",
        String,
        "one maneuver of the plan, JSON",
        "conductor",
        "guidance, formation",
        "on change",
        latched=True,
        hearers=(1, 0),
        in_formation=1,
    ),
    Topic(
        "maneuver/status",
        String,
        "phase, progress, time left, JSON",
        "guidance",
        "conductor",
        "2 Hz, on change",
        hearers=(1, 0),
    ),
    Topic(
        "goal",
        PoseStamped,
        "go there and hold (runs of kind manual)",
        "person",
        "guidance",
        "on change",
        hearers=(1, 0),
    ),
    Topic(
        "trajectory",
        MultiDOFJointTrajectory,
        "poses and velocities planned ahead, for a maneuver of kind formation",
        "formation",
        "guidance, displays",
        "each planning tick (2 Hz) while in formation",
        latched=True,
        in_formation=1,
    ),
    Topic(
        "reference",
        Odometry,
        "pose and twist that guidance follows",
        "guidance",
        "displays, evaluation",
        "10 Hz",
        hearers=(1, 0),
    ),
    Topic("wrench", WrenchStamped, "wanted force and torque", "guidance", "thruster driver", "20 Hz", hearers=(1, 0)),
    Topic(
        "valves/schedule",
        JointTrajectory,
        "stepwise valve schedule",
        "thruster driver",
        "plant",
        "10 Hz",
        hearers=(2, 0),
    ),
    Topic(
        "valves/state",
        JointState,
        "which valves are open",
        "holder of the valves",
        "estimator and thruster driver where its file says so, displays",
        "on edge, 10 Hz",
    ),
    Topic("supply/pressure", FluidPressure, "tank pressure", "plant", "conductor, displays", "5 Hz", hearers=(1, 0)),
    Topic(
        "supply/temperature", Temperature, "tank temperature", "plant", "conductor, displays", "5 Hz", hearers=(1, 0)
    ),
    Topic(
        "carriage/pressure",
        FluidPressure,
        "pressure of the carriage's air (table)",
        "plant",
        "conductor, displays",
        "5 Hz",
        hearers=(1, 0),
    ),
    Topic("battery", BatteryState, "charge and voltage", "plant", "conductor, displays", "1 Hz", hearers=(1, 0)),
    Topic(
        "port/command",
        JointState,
        "1 engages a port, 0 lets it go",
        "person, guidance",
        "plant",
        "on change",
        always_reliable=True,
        hearers=(1, 0),
    ),
    Topic("port/state", JointState, "which ports hold (1) a partner", "plant", "displays", "on change", latched=True),
    Topic(
        "place",
        PoseStamped,
        "put an emulated vehicle there",
        "conductor",
        "plant",
        "on change",
        always_reliable=True,
        hearers=(1, 0),
    ),
    Topic(
        "truth",
        Odometry,
        "actual pose and twist",
        "emulator or overhead tracking",
        "evaluation",
        "50 Hz",
        hearers=(1, 0),
    ),
)
"""Topics in a vehicle's namespace."""

PARTNER_TOPIC: Final = Topic(
    contract.PARTNER_TOPIC,
    Odometry,
    "newest estimate of a partner that the radio has brought; its stamp tells its age",
    "plant",
    "thruster driver",
    "as the noise file says",
    hearers=(1, 0),
)
"""A row for each partner, in a vehicle's namespace; none in a session of one vehicle."""
HEARD_TOPIC: Final = Topic(
    "partners/heard",
    JointState,
    "which partners have been heard of, and how much older than this message the newest of each is, s (below zero)",
    "plant",
    "thruster driver",
    "as the noise file says",
    hearers=(1, 0),
)
"""A row in a vehicle's namespace; none in a session of one vehicle."""
_TRANSFORM_TOPICS: Final = (
    Topic("/tf", TRANSFORM, "estimated pose of each base_link in the fixed frame", "estimators", "displays", "10 Hz"),
)

GLOBAL_TOPICS: Final = (
    *(_TRANSFORM_TOPICS if TRANSFORM is not None else ()),
    Topic("/clock", Clock, "time in lockstep", "plant", "all", "each tick", hearers=(1, 0)),
    Topic(
        "/clock/done", Header, "a follower has finished a tick", "followers", "plant", "each tick due", hearers=(1, 0)
    ),
    Topic(
        "/plan/state",
        String,
        "state of the session, permission to fire, JSON",
        "conductor",
        "all",
        "10 Hz",
        hearers=(2, 2),
        in_formation=1,
    ),
    Topic(
        "/plan/events",
        String,
        "what was decided, what broke, JSON",
        "conductor, plant, thruster driver, formation",
        "displays, conductor",
        "on change",
        always_reliable=True,
        hearers=(2, 0),
    ),
    Topic("/plan/configuration", String, "plan and files as read, JSON", "conductor", "all", "once", latched=True),
    Topic(
        "/contacts",
        String,
        "contacts since the last message, JSON",
        "plant",
        "conductor",
        "10 Hz",
        always_reliable=True,
        hearers=(1, 0),
    ),
    Topic("/joined", String, "which ports hold which, JSON", "plant", "displays", "on change", latched=True),
    Topic("/air/temperature", Temperature, "measured air temperature", "plant", "estimator", "1 Hz", hearers=(0, 1)),
    Topic(
        "/diagnostics",
        DiagnosticArray,
        "how each holder of valves, estimator and the recorder stand; the conductor's warnings of gas; what is planned",
        "holders, estimators, recorder, conductor, formation",
        "displays",
        "1 Hz, on change",
        hearers=(2, 0),
    ),
    Topic(
        "/markers",
        MarkerArray,
        "planned paths, places, distances to keep and zones to keep out of",
        "formation",
        "displays",
        "2 Hz",
    ),
    Topic(
        "/stop",
        Bool,
        "close all valves now",
        "anyone",
        "every holder of valves",
        "on demand",
        always_reliable=True,
        hearers=(2, 1),
    ),
    Topic(
        "/release",
        Header,
        "clear stops older than this",
        "conductor",
        "holders",
        "once",
        always_reliable=True,
        hearers=(1, 1),
    ),
)
"""Topics outside any vehicle."""

NOT_YET: Final = ("relative/odometry",)
"""Rows of the contract that are not there yet."""

NOT_HERE: Final = ("/tf",) if TRANSFORM is None else ()
"""Rows whose message type is not installed."""

_BY_NAME: Final = {topic.name: topic for topic in (*VEHICLE_TOPICS, HEARD_TOPIC, *GLOBAL_TOPICS)}


def topic(name: str) -> Topic:
    """The row of that name; KeyError if the contract has none."""
    if name.startswith("partners/") and name == partner_topic(name.split("/")[1]):
        return replace(PARTNER_TOPIC, name=name)
    return _BY_NAME[name]


def partner_topic(partner: str) -> str:
    """Name of the topic, in a vehicle's namespace, on which it hears that partner."""
    return contract.PARTNER_TOPIC.replace("<name>", partner)


def all_topics(vehicles: tuple[str, ...]) -> list[tuple[str, Topic]]:
    """Absolute name and row of every topic of a session with these vehicles."""
    rows = [(row.full_name(vehicle), row) for vehicle in vehicles for row in VEHICLE_TOPICS]
    for vehicle in vehicles:
        partners = [topic(partner_topic(partner)) for partner in vehicles if partner != vehicle]
        rows += [(row.full_name(vehicle), row) for row in (*partners, HEARD_TOPIC) if partners]
    return rows + [(row.name, row) for row in GLOBAL_TOPICS]


def expected_hearers(row: Topic, vehicles: int, formations: bool = False) -> int:
    """How many subscribers a publisher of this row has in a launched session, recorder included."""
    fixed, each = row.hearers
    return 1 + fixed + each * vehicles + (row.in_formation if formations else 0)


def publisher_qos(row: Topic) -> QoSProfile:
    """Quality of service that a publisher offers."""
    return QoSProfile(
        history=QoSHistoryPolicy.KEEP_LAST,
        depth=1 if row.latched else LOCKSTEP_DEPTH,
        reliability=QoSReliabilityPolicy.RELIABLE,
        durability=QoSDurabilityPolicy.TRANSIENT_LOCAL if row.latched else QoSDurabilityPolicy.VOLATILE,
    )


def subscriber_qos(row: Topic, lockstep: bool, depth: int | None = None) -> QoSProfile:
    """Quality of service that a subscriber asks for."""
    reliable = lockstep or row.latched or row.always_reliable
    return QoSProfile(
        history=QoSHistoryPolicy.KEEP_LAST,
        depth=depth or (1 if row.latched else LOCKSTEP_DEPTH if lockstep else WALL_DEPTH),
        reliability=QoSReliabilityPolicy.RELIABLE if reliable else QoSReliabilityPolicy.BEST_EFFORT,
        durability=QoSDurabilityPolicy.TRANSIENT_LOCAL if row.latched else QoSDurabilityPolicy.VOLATILE,
    )


def to_nanoseconds(time: Time) -> int:
    """A ROS time as int nanoseconds."""
    return time.sec * 1_000_000_000 + time.nanosec


def to_time(stamp: int) -> Time:
    """Int nanoseconds as a ROS time."""
    return Time(sec=stamp // 1_000_000_000, nanosec=stamp % 1_000_000_000)
