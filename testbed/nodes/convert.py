"""Between ROS messages and the records of description/messages.py: one pair of pure functions per type.

Stamps go through as whole nanoseconds and floats as the 64-bit values that the messages carry, so a record survives
the way there and back unchanged; the engine passes the records on as they are and therefore agrees with the graph.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable
from typing import Any

import numpy as np
from geometry_msgs.msg import (
    Point,
    Pose,
    PoseStamped,
    Quaternion,
    Transform,
    TransformStamped,
    Twist,
    Vector3,
    Vector3Stamped,
    WrenchStamped,
)
from nav_msgs.msg import Odometry
from numpy.typing import NDArray
from sensor_msgs.msg import Imu, JointState, PointCloud2, PointField
from std_msgs.msg import Header
from trajectory_msgs.msg import (
    JointTrajectory,
    JointTrajectoryPoint,
    MultiDOFJointTrajectory,
    MultiDOFJointTrajectoryPoint,
)

from testbed.description import messages
from testbed.description.messages import RANGE_POINT
from testbed.nodes.topics import to_nanoseconds, to_time
from testbed.record.contract import maneuver_of, trajectory_joint

_POINT_FIELD_TYPES = {"<u2": PointField.UINT16, "|u1": PointField.UINT8, "<f8": PointField.FLOAT64}
_RANGE_LAYOUT = [
    (name, offset, _POINT_FIELD_TYPES[kind.str]) for name, (kind, offset, *_) in (RANGE_POINT.fields or {}).items()
]


def header(stamp: int, frame: str) -> Header:
    """A header from a stamp in ns and a frame name."""
    return Header(stamp=to_time(stamp), frame_id=frame)


def _begin(message: Any, stamp: int, frame: str) -> None:
    """Fill a message's header in place: every nested message that is made costs, and most are made twice by rclpy."""
    head = message.header
    head.frame_id = frame
    head.stamp.sec, head.stamp.nanosec = divmod(stamp, messages.NS_PER_S)


def _fill(vector: Vector3 | Point, values: NDArray[np.float64]) -> None:
    vector.x, vector.y, vector.z = values.tolist()


def imu_to_message(record: np.void, frame: str) -> Imu:
    """IMU record to Imu; no orientation is measured (REP 145)."""
    message = Imu()
    _begin(message, int(record["stamp"]), frame)
    _fill(message.angular_velocity, record["angular_velocity"])
    _fill(message.linear_acceleration, record["linear_acceleration"])
    message.orientation_covariance[0] = -1.0
    return message


def odometry_to_message(record: np.void, frame: str, child_frame: str) -> Odometry:
    """ODOMETRY record to Odometry."""
    message = Odometry()
    _begin(message, int(record["stamp"]), frame)
    message.child_frame_id = child_frame
    pose, twist = message.pose, message.twist
    _fill(pose.pose.position, record["position"])
    turn = pose.pose.orientation
    turn.x, turn.y, turn.z, turn.w = record["orientation"].tolist()
    _fill(twist.twist.linear, record["linear_velocity"])
    _fill(twist.twist.angular, record["angular_velocity"])
    pose.covariance[:] = record["pose_covariance"].reshape(36)
    twist.covariance[:] = record["twist_covariance"].reshape(36)
    return message


def transform_from_odometry(record: np.void, frame: str, child_frame: str) -> TransformStamped:
    """ODOMETRY record to the pose of `child_frame` in `frame`, as `/tf` has it."""
    message = TransformStamped()
    _begin(message, int(record["stamp"]), frame)
    message.child_frame_id = child_frame
    _fill(message.transform.translation, record["position"])
    turn = message.transform.rotation
    turn.x, turn.y, turn.z, turn.w = record["orientation"].tolist()
    return message


def pose_to_message(position: Iterable[float], orientation: Iterable[float]) -> Pose:
    """Position (3,) and quaternion (4,) to Pose."""
    x, y, z = (float(value) for value in position)
    qx, qy, qz, qw = (float(value) for value in orientation)
    return Pose(position=Point(x=x, y=y, z=z), orientation=Quaternion(x=qx, y=qy, z=qz, w=qw))


def pose_stamped(stamp: int, frame: str, position: Iterable[float], orientation: Iterable[float]) -> PoseStamped:
    """A stamped pose in a frame."""
    return PoseStamped(header=header(stamp, frame), pose=pose_to_message(position, orientation))


def quaternion_from_message(quaternion: Quaternion) -> tuple[float, float, float, float]:
    """Components (x, y, z, w)."""
    return quaternion.x, quaternion.y, quaternion.z, quaternion.w


def wrench_to_message(record: np.void, frame: str) -> WrenchStamped:
    """WRENCH record to WrenchStamped."""
    message = WrenchStamped()
    _begin(message, int(record["stamp"]), frame)
    _fill(message.wrench.force, record["force"])
    _fill(message.wrench.torque, record["torque"])
    return message


def vector_to_message(stamp: int, vector: NDArray[np.float64], frame: str) -> Vector3Stamped:
    """A vector (3,) as Vector3Stamped."""
    message = Vector3Stamped()
    _begin(message, stamp, frame)
    _fill(message.vector, vector)
    return message


def _cloud(stamp: int, frame: str, points: NDArray[np.void]) -> PointCloud2:
    """A packed structured array as an unordered PointCloud2."""
    dtype = points.dtype
    assert dtype.fields is not None
    assert dtype.names is not None
    fields = [
        PointField(
            name=name, offset=dtype.fields[name][1], datatype=_POINT_FIELD_TYPES[dtype.fields[name][0].str], count=1
        )
        for name in dtype.names
    ]
    return PointCloud2(
        header=header(stamp, frame),
        height=1,
        width=len(points),
        fields=fields,
        is_bigendian=False,
        point_step=dtype.itemsize,
        row_step=dtype.itemsize * len(points),
        data=array("B", points.tobytes()),
        is_dense=True,
    )


def ranges_to_message(record: np.void, frame: str) -> PointCloud2:
    """RANGES record to PointCloud2, one point per return."""
    count = int(record["count"])
    points = np.empty(count, RANGE_POINT)
    for name in RANGE_POINT.names or ():
        points[name] = record[name][:count]
    return _cloud(int(record["stamp"]), frame, points)


def ranges_from_message(message: PointCloud2, record: np.void) -> None:
    """Fill a RANGES record from PointCloud2; ValueError where the cloud's layout is not the contract's."""
    layout = [(field.name, field.offset, field.datatype) for field in message.fields]
    count = message.width * message.height
    packed = message.point_step == RANGE_POINT.itemsize and not message.is_bigendian
    if not packed or layout != _RANGE_LAYOUT or count > messages.MAX_RANGES:
        raise ValueError(f"ranges: {count} points of {message.point_step} bytes do not follow the contract")
    points = np.frombuffer(message.data, RANGE_POINT, count)
    record["stamp"], record["count"] = to_nanoseconds(message.header.stamp), count
    for name in RANGE_POINT.names or ():
        record[name][:count] = points[name]


def innovations_to_message(stamp: int, frame: str, points: NDArray[np.void]) -> PointCloud2:
    """An array of messages.INNOVATION_POINT to PointCloud2."""
    return _cloud(stamp, frame, points)


def schedule_to_message(record: np.void, valve_names: list[str]) -> JointTrajectory:
    """SCHEDULE record to JointTrajectory; count 0 gives empty joint_names: close now."""
    message = JointTrajectory()
    _begin(message, int(record["stamp"]), "")
    count = int(record["count"])
    if count == 0:
        return message
    message.joint_names = valve_names
    states = record["open"][:count, : len(valve_names)].astype(np.float64)
    points = [JointTrajectoryPoint() for _ in range(count)]
    for point, offset, positions in zip(points, record["offset"][:count].tolist(), states, strict=True):
        point.positions = array("d", positions.tobytes())
        time = point.time_from_start
        time.sec, time.nanosec = divmod(offset, messages.NS_PER_S)
    message.points = points
    return message


def valves_from_message(message: JointState, valve_names: list[str], record: np.void) -> None:
    """Fill a VALVES record from JointState; ValueError where names or sizes do not fit the vehicle."""
    if list(message.name) != valve_names or len(message.position) != len(valve_names):
        raise ValueError(f"{len(message.position)} valves of {list(message.name)}, the vehicle has {valve_names}")
    record["stamp"] = to_nanoseconds(message.header.stamp)
    record["open"] = 0
    record["open"][: len(valve_names)] = np.array(message.position) > 0.5


def schedule_from_message(message: JointTrajectory, valve_names: list[str], record: np.void) -> None:
    """Fill a SCHEDULE record from JointTrajectory; ValueError where names or sizes do not fit the vehicle."""
    record["stamp"] = to_nanoseconds(message.header.stamp)
    record["count"] = 0
    if not message.joint_names:
        return
    if list(message.joint_names) != valve_names:
        raise ValueError(f"schedule names the valves {list(message.joint_names)}, the vehicle has {valve_names}")
    if len(message.points) > messages.MAX_POINTS:
        raise ValueError(f"schedule has {len(message.points)} points, at most {messages.MAX_POINTS} are allowed")
    record["open"] = 0
    for k, point in enumerate(message.points):
        if len(point.positions) != len(valve_names):
            raise ValueError(f"schedule point {k} sets {len(point.positions)} of {len(valve_names)} valves")
        record["offset"][k] = point.time_from_start.sec * messages.NS_PER_S + point.time_from_start.nanosec
        record["open"][k, : len(valve_names)] = np.array(point.positions) > 0.5
    record["count"] = len(message.points)


def trajectory_to_message(record: np.void, frame: str, body: str) -> MultiDOFJointTrajectory:
    """TRAJECTORY record of base_link (`body`) in the fixed frame to MultiDOFJointTrajectory."""
    message = MultiDOFJointTrajectory()
    _begin(message, int(record["stamp"]), frame)
    message.joint_names = [trajectory_joint(body, int(record["number"]))]
    points = []
    for k in range(int(record["count"])):
        pose, twist = Transform(), Twist()
        _fill(pose.translation, record["position"][k])
        turn = pose.rotation
        turn.x, turn.y, turn.z, turn.w = record["orientation"][k].tolist()
        _fill(twist.linear, record["velocity"][k])
        _fill(twist.angular, record["rate"][k])
        point = MultiDOFJointTrajectoryPoint(transforms=[pose], velocities=[twist])
        point.time_from_start.sec, point.time_from_start.nanosec = divmod(int(record["offset"][k]), messages.NS_PER_S)
        points.append(point)
    message.points = points
    return message


def trajectory_from_message(message: MultiDOFJointTrajectory, frame: str, body: str, record: np.void) -> None:
    """Fill a TRAJECTORY record from MultiDOFJointTrajectory; ValueError where frame, names or sizes do not fit."""
    count = len(message.points)
    if message.header.frame_id != frame:
        raise ValueError(f"a trajectory in {message.header.frame_id!r}, allowed: {frame}")
    if count > messages.MAX_KNOTS:
        raise ValueError(f"a trajectory of {count} points, at most {messages.MAX_KNOTS} are allowed")
    record["number"] = maneuver_of(message.joint_names, body)
    record["stamp"], record["count"] = to_nanoseconds(message.header.stamp), count
    for k, point in enumerate(message.points):
        if len(point.transforms) != 1 or len(point.velocities) != 1:
            raise ValueError(f"trajectory point {k} has {len(point.transforms)} poses, {len(point.velocities)} twists")
        pose, twist = point.transforms[0], point.velocities[0]
        record["offset"][k] = point.time_from_start.sec * messages.NS_PER_S + point.time_from_start.nanosec
        record["position"][k] = pose.translation.x, pose.translation.y, pose.translation.z
        record["orientation"][k] = quaternion_from_message(pose.rotation)
        record["velocity"][k] = twist.linear.x, twist.linear.y, twist.linear.z
        record["rate"][k] = twist.angular.x, twist.angular.y, twist.angular.z
