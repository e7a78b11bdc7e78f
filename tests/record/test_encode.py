"""Blocks hold, bit for bit, what rosbags and rclpy serialise for the same messages."""

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.camera import Camera
from testbed.description.messages import INNOVATION_POINT
from testbed.record import contract, encode
from testbed.record.types import deserialize, message, serialize
from tests.record.example import (
    VALVES,
    VEHICLE,
    batteries,
    random_ranges,
    random_records,
    random_schedules,
    random_trajectories,
    stamps,
)

ENCODER = encode.VehicleEncoder(VEHICLE, "table")
CAMERA = Camera(position=(0.1, 0.0, 0.0), width=40, height=32, distortion=(-0.1, 0.01, 0.001, -0.002, 0.0))
SEEING = encode.VehicleEncoder(VEHICLE.model_copy(update={"camera": CAMERA}), "table")
PICTURES = np.random.default_rng(2).integers(0, 256, (4, 32, 40), np.uint8)


def innovations(count, seed=0):
    generator = np.random.default_rng(seed)
    clouds = [np.zeros(generator.integers(0, 20), INNOVATION_POINT) for _ in range(count)]
    for cloud in clouds:
        cloud["innovation"] = generator.normal(size=len(cloud))
        cloud["accepted"] = 1
    return clouds


HEARD = (stamps(6)[:, None] - [20_000_000, 1]) * [[0, 0], [0, 1], [1, 0], [1, 1], [0, 0], [1, 1]]
"""Stamps of what was heard of two partners at six ticks, 0: nothing."""

BLOCKS = {
    "imu": lambda: ENCODER.imu(random_records(messages.IMU, 20)),
    "odometry": lambda: ENCODER.odometry("odometry", random_records(messages.ODOMETRY, 20)),
    "heard": lambda: ENCODER.heard(["siskin", "dunlin"], stamps(6), HEARD),
    "wrench": lambda: ENCODER.wrench(random_records(messages.WRENCH, 20)),
    "schedules": lambda: ENCODER.schedules(random_schedules(40), stamps(40)),
    "trajectories": lambda: ENCODER.trajectories(random_trajectories(40), stamps(40)),
    "ranges": lambda: ENCODER.ranges(random_ranges(40), stamps(40)),
    "bias": lambda: ENCODER.bias(stamps(5), np.random.default_rng(1).normal(size=(5, 3))),
    "disturbance": lambda: ENCODER.disturbance(stamps(5), np.random.default_rng(1).normal(size=(5, 3))),
    "innovations": lambda: ENCODER.innovations(stamps(10), innovations(10)),
    "pressure": lambda: ENCODER.pressure(stamps(5), np.linspace(20e6, 19e6, 5)),
    "temperature": lambda: ENCODER.temperature(stamps(5), np.linspace(293.0, 294.0, 5)),
    "battery": lambda: ENCODER.battery(batteries(stamps(5), np.linspace(1.0, 0.9, 5))),
    "place": lambda: ENCODER.pose("place", stamps(2), np.ones((2, 3)), np.ones((2, 4))),
    "valve states": lambda: ENCODER.valve_states(stamps(5), np.eye(5, 16)),
    "pictures": lambda: SEEING.pictures(stamps(4), PICTURES)[0],
    "camera info": lambda: SEEING.pictures(stamps(4), PICTURES)[1],
    "status": lambda: ENCODER.status(random_records(messages.STATUS, 5)),
    "texts": lambda: encode.texts("/plan/events", stamps(3), ["{}", "ä", ""]),
    "clock": lambda: encode.clock(stamps(5)),
    "air temperature": lambda: encode.air_temperature(stamps(2), 294.15, "table"),
}


@pytest.mark.parametrize("name", BLOCKS)
def test_a_block_holds_what_rosbags_serialises(name):
    block = BLOCKS[name]()
    for data in block.messages():
        assert serialize(deserialize(data, block.message_type), block.message_type) == data


def test_stamps_and_fields_are_where_they_belong():
    records = random_records(messages.ODOMETRY, 3)
    for record, data in zip(records, ENCODER.odometry("truth", records).messages(), strict=True):
        found = deserialize(data, "nav_msgs/msg/Odometry")
        assert found.header.stamp.sec * 10**9 + found.header.stamp.nanosec == record["stamp"]
        assert (found.header.frame_id, found.child_frame_id) == ("table", "wren/base_link")
        assert found.pose.pose.position.y == record["position"][1]
        assert found.pose.pose.orientation.w == record["orientation"][3]
        assert found.twist.twist.angular.z == record["angular_velocity"][2]
        assert np.array_equal(found.twist.covariance.reshape(6, 6), record["twist_covariance"])


def test_who_was_heard_and_how_long_ago_is_told_of_those_that_were():
    found = [deserialize(data, "sensor_msgs/msg/JointState") for data in BLOCKS["heard"]().messages()]
    assert [one.name for one in found] == [[], ["dunlin"], ["siskin"], ["siskin", "dunlin"], [], ["siskin", "dunlin"]]
    assert [list(one.position) for one in found[:4]] == [[], [-1e-9], [-0.02], [-0.02, -1e-9]]


def test_the_battery_says_how_full_it_is():
    (data,) = ENCODER.battery(batteries(stamps(1), np.array([0.25]))).messages()
    found = deserialize(data, "sensor_msgs/msg/BatteryState")
    assert found.percentage == pytest.approx(0.25)
    assert (found.voltage, found.current, found.power_supply_health) == pytest.approx((15.0, -1.25, 1))
    assert found.charge / found.capacity == pytest.approx(0.25)


def test_temperatures_are_in_degrees_celsius_as_the_message_defines_them():
    (data,) = ENCODER.temperature(stamps(1), np.array([273.15])).messages()
    assert deserialize(data, "sensor_msgs/msg/Temperature").temperature == 0.0


def test_a_message_refuses_a_field_that_its_type_lacks():
    with pytest.raises(TypeError, match="no field frame"):
        message("std_msgs/msg/Header", frame="table")


LIVE = {
    "imu": (messages.IMU, lambda c, r: c.imu_to_message(r, "wren/imu_link")),
    "odometry": (messages.ODOMETRY, lambda c, r: c.odometry_to_message(r, "table", "wren/base_link")),
    "wrench": (messages.WRENCH, lambda c, r: c.wrench_to_message(r, "wren/base_link")),
    "ranges": (None, lambda c, r: c.ranges_to_message(r, "wren/base_link")),
    "schedules": (None, lambda c, r: c.schedule_to_message(r, VALVES)),
    "trajectories": (None, lambda c, r: c.trajectory_to_message(r, "table", "wren/base_link")),
}

DRAWN = {"ranges": random_ranges, "schedules": random_schedules, "trajectories": random_trajectories}


@pytest.mark.filterwarnings("ignore:module 'sre_:DeprecationWarning")  # raised where the wheels import lark
@pytest.mark.parametrize("name", LIVE)
def test_engine_and_live_nodes_send_the_same_bytes(name):
    serialization = pytest.importorskip("rclpy.serialization")
    convert = pytest.importorskip("testbed.nodes.convert")
    dtype, convert_record = LIVE[name]
    records = random_records(dtype, 20) if dtype else DRAWN[name](40)
    block = BLOCKS[name]()
    for record, data in zip(records, block.messages(), strict=True):
        live = serialization.serialize_message(convert_record(convert, record))
        # cut and once through rosbags: rclpy leaves whatever was there behind the message and between its fields
        assert serialize(deserialize(live[: len(data)], block.message_type), block.message_type) == data


def test_latched_topics_are_those_of_the_live_nodes():
    topics = pytest.importorskip("testbed.nodes.topics")
    for name, row in topics.all_topics(("wren",)):
        assert contract.is_latched(name) == row.latched, name


def test_types_are_those_of_the_live_nodes():
    topics = pytest.importorskip("testbed.nodes.topics")
    for name, layout in {**contract.VEHICLE_TOPICS, **contract.GLOBAL_TOPICS}.items():
        live = topics.topic(name).type
        package, kind, _ = live.__module__.split(".")
        assert f"{package}/{kind}/{live.__name__}" == layout.type, name
