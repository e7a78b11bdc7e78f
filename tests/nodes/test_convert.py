"""Records survive the way through a message, and through its bytes on the wire, bit for bit."""

from array import array

import numpy as np
import pytest
from geometry_msgs.msg import PoseStamped, Vector3Stamped
from hypothesis import given, settings
from hypothesis import strategies as st
from nav_msgs.msg import Odometry
from rclpy.serialization import deserialize_message, serialize_message
from sensor_msgs.msg import PointCloud2
from std_msgs.msg import String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from testbed.description import messages
from testbed.description.messages import INNOVATION_POINT, MAX_KNOTS, MAX_POINTS, MAX_RANGES, NS_PER_S
from testbed.description.status import status_json, status_record
from testbed.nodes import convert
from testbed.nodes.wire import Decoder

VALVES = [f"valve_{index}" for index in range(12)]
STAMPS = st.integers(0, 2**31 * NS_PER_S - 1)
SEEDS = st.integers(0, 2**32 - 1)


def any_floats(generator, shape):
    """Every finite 64-bit pattern is as likely as any other: huge, tiny, subnormal, negative zero."""
    bits = generator.integers(0, 2**64, shape, dtype=np.uint64)
    values = bits.view(np.float64)
    return np.where(np.isfinite(values), values, -0.0)


def any_record(dtype, seed, stamp):
    generator = np.random.default_rng(seed)
    record = np.zeros(1, dtype)
    for name in dtype.names:
        if record[name].dtype == np.float64:
            record[name] = any_floats(generator, record[name].shape)
    record["stamp"] = stamp
    return record


def any_ranges(seed, stamp):
    generator = np.random.default_rng(seed)
    record = np.zeros(1, messages.RANGES)
    count = int(generator.integers(0, MAX_RANGES + 1))
    record["stamp"], record["count"] = stamp, count
    for name in ("beacon", "receiver"):
        record[name][0, :count] = generator.integers(0, 2**16, count)
    for name in ("time_of_flight", "time_offset"):
        record[name][0, :count] = any_floats(generator, count)
    return record


def any_schedule(seed, stamp):
    generator = np.random.default_rng(seed)
    record = np.zeros(1, messages.SCHEDULE)
    count = int(generator.integers(0, MAX_POINTS + 1))
    record["stamp"], record["count"] = stamp, count
    record["offset"][0, :count] = np.sort(generator.integers(0, 2**31 * NS_PER_S, count))
    record["open"][0, :count, : len(VALVES)] = generator.integers(0, 2, (count, len(VALVES)))
    return record


def any_trajectory(seed, stamp):
    generator = np.random.default_rng(seed)
    record = np.zeros(1, messages.TRAJECTORY)
    count = int(generator.integers(0, MAX_KNOTS + 1))
    record["stamp"], record["number"], record["count"] = stamp, generator.integers(1, 2**31), count
    record["offset"][0, :count] = np.sort(generator.integers(0, 2**31 * NS_PER_S, count))
    for name in ("position", "orientation", "velocity", "rate"):
        record[name][0, :count] = any_floats(generator, record[name][0, :count].shape)
    return record


def status_from_message(message, record):
    back = status_record(message.data)[0]
    for name in messages.STATUS.names:
        record[name] = back[name]


def maker(dtype):
    return lambda seed, stamp: any_record(dtype, seed, stamp)


def decoded(row):
    """Read as nodes read the rows that come most: from the bytes."""

    def from_message(message, record):
        back = Decoder(row).decode(serialize_message(message))[0]
        for name in record.dtype.names:
            record[name] = back[name]

    return from_message


KINDS = {
    "imu": (maker(messages.IMU), lambda one: convert.imu_to_message(one, "wren/imu_link"), decoded("imu")),
    "odometry": (
        maker(messages.ODOMETRY),
        lambda one: convert.odometry_to_message(one, "table", "wren/base_link"),
        decoded("odometry"),
    ),
    "wrench": (
        maker(messages.WRENCH),
        lambda one: convert.wrench_to_message(one, "wren/base_link"),
        decoded("wrench"),
    ),
    "ranges": (any_ranges, lambda one: convert.ranges_to_message(one, "wren/base_link"), convert.ranges_from_message),
    "schedule": (
        any_schedule,
        lambda one: convert.schedule_to_message(one, VALVES),
        lambda message, one: convert.schedule_from_message(message, VALVES, one),
    ),
    "trajectory": (
        any_trajectory,
        lambda one: convert.trajectory_to_message(one, "table", "wren/base_link"),
        lambda message, one: convert.trajectory_from_message(message, "table", "wren/base_link", one),
    ),
    "status": (
        maker(messages.STATUS),
        lambda one: String(data=status_json(one)),
        status_from_message,
    ),
}


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=50, deadline=None)
@given(seed=SEEDS, stamp=STAMPS)
def test_a_record_comes_back_bit_for_bit(kind, seed, stamp):
    make, to_message, from_message = KINDS[kind]
    record = make(seed, stamp)
    message = to_message(record[0])
    over_the_wire = deserialize_message(serialize_message(message), type(message))
    back = np.zeros_like(record)
    from_message(over_the_wire, back[0])
    for name in record.dtype.names:
        assert back[name].tobytes() == record[name].tobytes(), name


@given(seed=SEEDS, stamp=STAMPS)
def test_a_record_that_is_filled_again_keeps_nothing_of_the_schedule_before(seed, stamp):
    record, reused = any_schedule(seed, stamp), any_schedule(seed + 1, stamp + 1)
    convert.schedule_from_message(convert.schedule_to_message(record[0], VALVES), VALVES, reused[0])
    count = int(record[0]["count"])
    assert reused[0]["count"] == count
    assert np.array_equal(reused[0]["open"][:count], record[0]["open"][:count])


def test_frames_are_those_of_the_contract():
    record = np.zeros(1, messages.ODOMETRY)
    message = convert.odometry_to_message(record[0], "table", "wren/base_link")
    assert (message.header.frame_id, message.child_frame_id) == ("table", "wren/base_link")


def test_an_imu_says_that_it_measures_no_orientation():
    message = convert.imu_to_message(np.zeros(1, messages.IMU)[0], "wren/imu_link")
    assert message.orientation_covariance[0] == -1.0
    assert message.header.frame_id == "wren/imu_link"


def test_an_empty_cycle_is_an_empty_cloud_not_none():
    message = convert.ranges_to_message(np.zeros(1, messages.RANGES)[0], "wren/base_link")
    assert (message.width, len(message.data)) == (0, 0)
    assert [field.name for field in message.fields] == ["beacon", "receiver", "time_of_flight", "time_offset"]


def test_innovations_are_a_cloud_of_their_own_layout():
    points = np.zeros(3, INNOVATION_POINT)
    points["innovation"], points["accepted"] = (0.1, -0.2, 0.3), (1, 0, 1)
    message = convert.innovations_to_message(5, "wren/base_link", points)
    assert np.array_equal(np.frombuffer(message.data, INNOVATION_POINT), points)
    assert [field.offset for field in message.fields] == [0, 2, 4, 12, 20]


def test_a_closing_schedule_has_no_names_and_no_points():
    closed = np.zeros(1, messages.SCHEDULE)
    message = convert.schedule_to_message(closed[0], VALVES)
    assert not message.joint_names
    assert not message.points


def test_poses_and_vectors_carry_what_they_are_given():
    pose = convert.pose_stamped(7, "table", (1.0, 2.0, 3.0), (0.1, 0.2, 0.3, 0.9))
    assert isinstance(pose, PoseStamped)
    assert convert.quaternion_from_message(pose.pose.orientation) == (0.1, 0.2, 0.3, 0.9)
    vector = convert.vector_to_message(7, np.array([1.0, 2.0, 3.0]), "wren/imu_link")
    assert isinstance(vector, Vector3Stamped)
    assert (vector.vector.x, vector.vector.y, vector.vector.z) == (1.0, 2.0, 3.0)


def foreign_schedule(**changes):
    """What another driver might send."""
    values = {"names": VALVES, "points": 2, "width": len(VALVES)} | changes
    points = [JointTrajectoryPoint(positions=array("d", [0.0] * values["width"])) for _ in range(values["points"])]
    return JointTrajectory(joint_names=values["names"], points=points)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"names": VALVES[:-1]}, "names the valves"),
        ({"names": VALVES[::-1]}, "names the valves"),
        ({"points": MAX_POINTS + 1}, f"at most {MAX_POINTS} are allowed"),
        ({"width": 3}, "sets 3 of 12 valves"),
        ({"width": 0}, "sets 0 of 12 valves"),
    ],
    ids=["a valve missing", "another order", "too many points", "too few positions", "no positions"],
)
def test_a_schedule_that_does_not_fit_the_vehicle_is_refused_in_words(changes, said):
    with pytest.raises(ValueError, match=said):
        convert.schedule_from_message(foreign_schedule(**changes), VALVES, np.zeros(1, messages.SCHEDULE)[0])


def a_trajectory(count=2):
    record = np.zeros(1, messages.TRAJECTORY)
    record["number"], record["count"], record["offset"][0, :2] = 12, min(count, MAX_KNOTS), (0, NS_PER_S)
    message = convert.trajectory_to_message(record[0], "table", "wren/base_link")
    if count > MAX_KNOTS:
        message.points = [message.points[0]] * count
    return message


def with_poses(message, count):
    message.points[0].transforms *= count
    return message


def with_no_velocity(message):
    message.points[1].velocities = []
    return message


def in_frame(message, frame):
    message.header.frame_id = frame
    return message


def of_joints(*names):
    message = a_trajectory()
    message.joint_names = list(names)
    return message


BODY = "wren/base_link"


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (in_frame(a_trajectory(), "cabin"), "allowed: table"),
        (of_joints(), "allowed: one joint"),
        (of_joints(f"{BODY}/maneuver/1", f"{BODY}/maneuver/2"), "allowed: one joint"),
        (of_joints("siskin/base_link/maneuver/1"), "allowed: one joint"),
        (of_joints(BODY), "allowed: one joint"),
        (of_joints(f"{BODY}/maneuver/-1"), "allowed: one joint"),
        (of_joints(f"{BODY}/maneuver/"), "allowed: one joint"),
        (a_trajectory(MAX_KNOTS + 1), f"at most {MAX_KNOTS} are allowed"),
        (with_poses(a_trajectory(), 2), "point 0 has 2 poses"),
        (with_no_velocity(a_trajectory()), "point 1 has 1 poses, 0 twists"),
    ],
    ids=["another frame", "no joint", "two joints", "another vehicle", "no number", "a number below zero",
         "an empty number", "too many points", "two poses", "no velocity"],
)  # fmt: skip
def test_a_trajectory_that_does_not_follow_the_contract_is_refused_in_words(message, said):
    with pytest.raises(ValueError, match=said):
        convert.trajectory_from_message(message, "table", BODY, np.zeros(1, messages.TRAJECTORY)[0])


def test_a_trajectory_says_in_which_frame_whose_and_for_which_maneuver_it_is():
    message = a_trajectory()
    assert message.header.frame_id == "table"
    assert list(message.joint_names) == ["wren/base_link/maneuver/12"]


def test_a_position_that_is_no_number_means_closed():
    message = foreign_schedule()
    message.points[0].positions = array("d", [float("nan")] * len(VALVES))
    record = np.ones(1, messages.SCHEDULE)
    convert.schedule_from_message(message, VALVES, record[0])
    assert not record[0]["open"].any()


@pytest.mark.parametrize(
    "message",
    [
        PointCloud2(point_step=messages.RANGE_POINT.itemsize, data=array("B", [0] * 21)),
        PointCloud2(point_step=16, data=array("B", [0] * 20)),
        PointCloud2(
            point_step=messages.RANGE_POINT.itemsize,
            data=array("B", [0] * messages.RANGE_POINT.itemsize * (MAX_RANGES + 1)),
        ),
    ],
    ids=["half a point", "another layout", "too many points"],
)
def test_a_cloud_of_another_layout_is_refused(message):
    with pytest.raises(ValueError, match=r"ranges|buffer"):
        convert.ranges_from_message(message, np.zeros(1, messages.RANGES)[0])


def test_covariances_keep_rows_and_columns_apart():
    record = np.zeros(1, messages.ODOMETRY)
    record["pose_covariance"][0] = np.arange(36.0).reshape(6, 6)
    message = convert.odometry_to_message(record[0], "table", "wren/base_link")
    assert isinstance(message, Odometry)
    assert message.pose.covariance[1 * 6 + 2] == record["pose_covariance"][0, 1, 2]
