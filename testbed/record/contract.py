"""How the records of description/messages.py lie in the ROS messages of the topic contract.

One table for both directions: encode.py fills messages by it, load.py reads them by it. A path such as
`pose.pose.position` names a field of the message; `header.stamp` is the record's `stamp`. Anything else in a message is
constant and built by the function named in the row. nodes/convert.py does the same for live messages; a test compares
the bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from testbed.description.camera import Camera
from testbed.record.types import message

COULOMBS_PER_AH: Final = 3600.0
_POINT_FIELD: Final = {"<u2": 4, "|u1": 2, "<f8": 8}  # sensor_msgs/PointField UINT16, UINT8, FLOAT64


@dataclass(frozen=True)
class Layout:
    """The ROS type of a topic, the constant rest of its message, and where each field of a record lies in it."""

    type: str
    build: Callable[..., Any]
    paths: Mapping[str, str] = field(default_factory=dict)


def trajectory_paths(points: int) -> dict[str, str]:
    """Where the fields of messages.TRAJECTORY and the parts of its offsets lie in a `trajectory` of so many points."""
    paths: dict[str, str] = {}
    for k in range(points):
        at = f"points.{k}"
        paths |= {
            f"position {k}": f"{at}.transforms.0.translation",
            f"orientation {k}": f"{at}.transforms.0.rotation",
            f"velocity {k}": f"{at}.velocities.0.linear",
            f"rate {k}": f"{at}.velocities.0.angular",
            f"time {k} sec": f"{at}.time_from_start.sec",
            f"time {k} nanosec": f"{at}.time_from_start.nanosec",
        }
    return paths


def header(frame: str = "") -> Any:
    """A header with a zero stamp."""
    return message("std_msgs/msg/Header", frame_id=frame)


def imu(frame: str) -> Any:
    """Imu in frame `<vehicle>/imu_link`; orientation_covariance[0] = -1: no orientation is measured (REP 145)."""
    covariance = np.zeros(9)
    covariance[0] = -1.0
    return message("sensor_msgs/msg/Imu", header=header(frame), orientation_covariance=covariance)


def odometry(frame: str, child_frame: str) -> Any:
    """Odometry: header frame `table` or `cabin`, child frame `<vehicle>/base_link`, twist in the child frame."""
    return message("nav_msgs/msg/Odometry", header=header(frame), child_frame_id=child_frame)


def stamped(message_type: str) -> Callable[[str], Any]:
    """Build a message that has nothing constant but its frame."""
    return lambda frame: message(message_type, header=header(frame))


def battery(capacity: float) -> Any:
    """BatteryState: charge and capacity in Ah, the latter from C; what is unknown is NaN."""
    ampere_hours = capacity / COULOMBS_PER_AH
    unknown = float("nan")
    return message(
        "sensor_msgs/msg/BatteryState",
        header=header(),
        temperature=unknown,
        capacity=ampere_hours,
        design_capacity=ampere_hours,
        power_supply_status=2,  # discharging
        power_supply_technology=3,  # lithium polymer
        present=True,
    )


def cloud(frame: str, dtype: np.dtype[Any], count: int) -> Any:
    """PointCloud2 of `count` packed points, height 1, one field per field of `dtype`."""
    fields = [
        message("sensor_msgs/msg/PointField", name=name, offset=offset, datatype=_POINT_FIELD[kind.str], count=1)
        for name, (kind, offset, *_) in (dtype.fields or {}).items()
    ]
    return message(
        "sensor_msgs/msg/PointCloud2",
        header=header(frame),
        height=1,
        width=count,
        fields=fields,
        point_step=dtype.itemsize,
        row_step=dtype.itemsize * count,
        data=np.zeros(dtype.itemsize * count, np.uint8),
        is_dense=True,
    )


def image(frame: str, width: int, height: int) -> Any:
    """Image of one byte a pixel, in the camera's optical frame."""
    return message(
        "sensor_msgs/msg/Image",
        header=header(frame),
        height=height,
        width=width,
        encoding="mono8",
        step=width,
        data=np.zeros(width * height, np.uint8),
    )


def camera_info(frame: str, camera: Camera) -> Any:
    """CameraInfo of what the camera is believed to be; nothing is rectified, so R is one and P begins with K."""
    matrix = camera.matrix()
    return message(
        "sensor_msgs/msg/CameraInfo",
        header=header(frame),
        height=camera.height,
        width=camera.width,
        distortion_model="plumb_bob",
        d=np.array(camera.distortion),
        k=matrix.ravel(),
        r=np.eye(3).ravel(),
        p=np.column_stack([matrix, np.zeros(3)]).ravel(),
    )


def schedule(valves: Sequence[str], points: int) -> Any:
    """JointTrajectory of `points` points, joint_names = valve names; no points: empty joint_names, close now."""
    point = "trajectory_msgs/msg/JointTrajectoryPoint"
    return message(
        "trajectory_msgs/msg/JointTrajectory",
        header=header(),
        joint_names=list(valves) if points else [],
        points=[message(point, positions=np.zeros(len(valves))) for _ in range(points)],
    )


def trajectory(frame: str, body: str, number: int, points: int) -> Any:
    """MultiDOFJointTrajectory of one joint: a transform and a velocity at each of `points` points, no accelerations.

    Header frame `table` or `cabin`, in which both are given; the joint says whose pose it is and for which maneuver.
    """
    point = "trajectory_msgs/msg/MultiDOFJointTrajectoryPoint"

    def make() -> Any:
        pose, twist = message("geometry_msgs/msg/Transform"), message("geometry_msgs/msg/Twist")
        return message(point, transforms=[pose], velocities=[twist])

    return message(
        "trajectory_msgs/msg/MultiDOFJointTrajectory",
        header=header(frame),
        joint_names=[trajectory_joint(body, number)],
        points=[make() for _ in range(points)],
    )


def trajectory_joint(body: str, number: int) -> str:
    """The only joint of a `trajectory`: `<vehicle>/base_link/maneuver/<number>`; the message has no other place."""
    return f"{body}/maneuver/{number}"


def maneuver_of(joint_names: Sequence[str], body: str) -> int:
    """Number of the maneuver that a `trajectory` with these joints answers.

    Raises:
        ValueError: not one joint, or not named so.

    """
    head, _, number = joint_names[0].rpartition("/") if len(joint_names) == 1 else ("", "", "")
    if head != f"{body}/maneuver" or not (number.isascii() and number.isdigit()):
        raise ValueError(f"a trajectory of {list(joint_names)}, allowed: one joint, {body}/maneuver/<number>")
    return int(number)


def valve_state(valves: Sequence[str]) -> Any:
    """JointState of all valves right after the edge at its stamp (1 open), of ports (1 holds), or of partners (s)."""
    return message("sensor_msgs/msg/JointState", header=header(), name=list(valves), position=np.zeros(len(valves)))


_POSE: Final = {"position": "pose.position", "orientation": "pose.orientation"}

IMU: Final = Layout(
    "sensor_msgs/msg/Imu",
    imu,
    {"angular_velocity": "angular_velocity", "linear_acceleration": "linear_acceleration"},
)
ODOMETRY: Final = Layout(
    "nav_msgs/msg/Odometry",
    odometry,
    {
        "position": "pose.pose.position",
        "orientation": "pose.pose.orientation",
        "linear_velocity": "twist.twist.linear",
        "angular_velocity": "twist.twist.angular",
        "pose_covariance": "pose.covariance",
        "twist_covariance": "twist.covariance",
    },
)
WRENCH: Final = Layout(
    "geometry_msgs/msg/WrenchStamped",
    stamped("geometry_msgs/msg/WrenchStamped"),
    {"force": "wrench.force", "torque": "wrench.torque"},
)
VECTOR: Final = Layout(
    "geometry_msgs/msg/Vector3Stamped", stamped("geometry_msgs/msg/Vector3Stamped"), {"vector": "vector"}
)
POSE: Final = Layout("geometry_msgs/msg/PoseStamped", stamped("geometry_msgs/msg/PoseStamped"), _POSE)
PRESSURE: Final = Layout(
    "sensor_msgs/msg/FluidPressure", stamped("sensor_msgs/msg/FluidPressure"), {"pressure": "fluid_pressure"}
)
TEMPERATURE: Final = Layout(
    "sensor_msgs/msg/Temperature", stamped("sensor_msgs/msg/Temperature"), {"temperature": "temperature"}
)
BATTERY: Final = Layout(
    "sensor_msgs/msg/BatteryState",
    battery,
    {name: name for name in ("voltage", "current", "charge", "percentage", "power_supply_health")},
)
PORT_STATE: Final = Layout("sensor_msgs/msg/JointState", valve_state, {"held": "position"})
HEARD: Final = Layout("sensor_msgs/msg/JointState", valve_state, {"age": "position"})
VALVE_STATE: Final = Layout("sensor_msgs/msg/JointState", valve_state, {"open": "position"})
SCHEDULE: Final = Layout("trajectory_msgs/msg/JointTrajectory", schedule)
TRAJECTORY: Final = Layout("trajectory_msgs/msg/MultiDOFJointTrajectory", trajectory)
RANGES: Final = Layout("sensor_msgs/msg/PointCloud2", cloud)
INNOVATIONS: Final = Layout("sensor_msgs/msg/PointCloud2", cloud)
IMAGE: Final = Layout("sensor_msgs/msg/Image", image, {"data": "data"})
CAMERA_INFO: Final = Layout("sensor_msgs/msg/CameraInfo", camera_info)
CLOCK: Final = Layout("rosgraph_msgs/msg/Clock", lambda: message("rosgraph_msgs/msg/Clock"))
DONE: Final = Layout("std_msgs/msg/Header", header)
TEXT: Final = Layout("std_msgs/msg/String", lambda text: message("std_msgs/msg/String", data=text))
"""JSON: `maneuver`, `maneuver/status`, `/plan/state`, `/plan/events`, `/plan/configuration`, `/contacts`."""

PARTNER_TOPIC: Final = "partners/<name>/odometry"
"""What a vehicle hears of each partner by radio; header and child frame are the partner's."""

VEHICLE_TOPICS: Final = {
    "imu": IMU,
    "ranges": RANGES,
    "camera/image_raw": IMAGE,
    "camera/camera_info": CAMERA_INFO,
    "odometry": ODOMETRY,
    "estimate/bias": VECTOR,
    "estimate/disturbance": WRENCH,
    "estimate/innovations": INNOVATIONS,
    "maneuver": TEXT,
    "maneuver/status": TEXT,
    "trajectory": TRAJECTORY,
    "reference": ODOMETRY,
    "wrench": WRENCH,
    "valves/schedule": SCHEDULE,
    "valves/state": VALVE_STATE,
    "port/command": PORT_STATE,
    "port/state": PORT_STATE,
    "supply/pressure": PRESSURE,
    "supply/temperature": TEMPERATURE,
    "carriage/pressure": PRESSURE,
    "battery": BATTERY,
    "goal": POSE,
    "place": POSE,
    "truth": ODOMETRY,
    PARTNER_TOPIC: ODOMETRY,
    "partners/heard": HEARD,
}
"""What a vehicle's topics hold; other topics are recorded as they come and not read by load.py."""

GLOBAL_TOPICS: Final = {
    "/clock": CLOCK,
    "/clock/done": DONE,
    "/plan/state": TEXT,
    "/plan/events": TEXT,
    "/plan/configuration": TEXT,
    "/contacts": TEXT,
    "/joined": TEXT,
    "/air/temperature": TEMPERATURE,
}

LATCHED: Final = frozenset({"maneuver", "trajectory", "port/state", "/joined", "/plan/configuration"})
"""Topics offered transient local; every other one is volatile, and all are reliable."""


def is_latched(topic: str) -> bool:
    """Whether this absolute topic is latched, whatever the vehicle in front of it."""
    return topic in LATCHED or topic.partition("/")[2].partition("/")[2] in LATCHED
