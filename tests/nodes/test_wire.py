"""Records go straight to bytes and back; rosbags, which knows nothing of it, reads and writes the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.nodes import convert
from testbed.nodes.wire import RECORDS, Decoder, Encoder, read_header
from testbed.record.types import deserialize, message, serialize

FRAMES = {
    "imu": ("wren/imu_link",),
    "odometry": ("table", "wren/base_link"),
    "truth": ("table", "wren/base_link"),
    "reference": ("table", "wren/base_link"),
    "wrench": ("wren/base_link",),
    "estimate/disturbance": ("table",),
}
STAMPS = st.integers(min_value=0, max_value=2**31 * 1_000_000_000 - 1)
TYPES = {"imu": "sensor_msgs/msg/Imu", "wrench": "geometry_msgs/msg/WrenchStamped"}
ODOMETRY = "nav_msgs/msg/Odometry"


def random_record(topic, seed, stamp):
    generator = np.random.default_rng(seed)
    record = np.zeros(1, RECORDS[topic])
    for name in RECORDS[topic].names[1:]:
        record[name] = generator.normal(size=record[name].shape)
    record["stamp"] = stamp
    return record


@pytest.mark.parametrize("topic", RECORDS)
@given(seed=st.integers(0, 2**32), stamp=STAMPS)
@settings(max_examples=20)
def test_a_record_comes_back_bit_for_bit(topic, seed, stamp):
    record = random_record(topic, seed, stamp)
    data = Encoder(topic, *FRAMES[topic]).encode(stamp, record[0])
    assert Decoder(topic).decode(data).tobytes() == record.tobytes()


@given(stamp=STAMPS, body=st.text(max_size=20), frame=st.text(max_size=20), seed=st.integers(0, 2**32))
@settings(max_examples=50)
def test_odometry_of_any_sender_is_read_whatever_its_frames_are_called(stamp, body, frame, seed):
    decoder = Decoder("odometry")
    for names in (("table", "wren/base_link"), (frame, body), ("a" * len(frame), "b" * len(body))):
        record = random_record("odometry", seed, stamp)
        sent = message(ODOMETRY, header=header(stamp, names[0]), child_frame_id=names[1])
        sent.pose.pose.position.y = float(record[0]["position"][1])
        sent.twist.covariance[7] = float(record[0]["twist_covariance"][1, 1])
        found = decoder.decode(serialize(sent, ODOMETRY))[0]
        assert found["stamp"] == stamp
        assert found["position"].tolist() == [0.0, record[0]["position"][1], 0.0]
        assert found["orientation"].tolist() == [0.0, 0.0, 0.0, 1.0]
        assert found["twist_covariance"][1, 1] == record[0]["twist_covariance"][1, 1]


def header(stamp, frame):
    time = message("builtin_interfaces/msg/Time", sec=stamp // 1_000_000_000, nanosec=stamp % 1_000_000_000)
    return message("std_msgs/msg/Header", stamp=time, frame_id=frame)


def test_an_imu_says_as_convert_does_that_it_measures_no_orientation():
    record = random_record("imu", 1, 5)
    data = Encoder("imu", "wren/imu_link").encode(5, record[0])
    found, told = deserialize(data, TYPES["imu"]), convert.imu_to_message(record[0], "wren/imu_link")
    assert found.header.frame_id == told.header.frame_id
    assert found.orientation_covariance.tolist() == told.orientation_covariance.tolist()
    assert found.linear_acceleration.z == told.linear_acceleration.z


def test_what_is_encoded_next_leaves_the_bytes_before_alone():
    encoder = Encoder("wrench", "wren/base_link")
    first = encoder.encode(1, random_record("wrench", 1, 1)[0])
    kept = bytes(first)
    encoder.encode(2, random_record("wrench", 2, 2)[0])
    assert first == kept


def test_valves_are_named_and_open_or_closed():
    data = Encoder("valves/state", ["a", "long name"]).encode(7, {"open": np.array([0.0, 1.0])})
    found = deserialize(data, "sensor_msgs/msg/JointState")
    assert list(found.name) == ["a", "long name"]
    assert found.position.tolist() == [0.0, 1.0]


@given(stamp=STAMPS, name=st.text(max_size=40))
def test_a_header_is_read_as_it_was_made(stamp, name):
    data = Encoder("/clock/done", name).encode(stamp)
    assert read_header(data) == (stamp, name)
    assert deserialize(data, "std_msgs/msg/Header").frame_id == name


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "little-endian"),
        (b"\0\0\0\0" + bytes(720), "little-endian"),
        (b"\0\1\0\0\1\0\0\0", "not a nav_msgs/msg/Odometry"),
        (b"\0\1\0\0" + b"\xff" * 40, "not a nav_msgs/msg/Odometry"),
    ],
    ids=["empty", "big-endian", "cut", "lengths beyond the end"],
)
def test_what_is_no_message_of_the_topic_is_refused_in_words(data, said):
    with pytest.raises(ValueError, match=said):
        Decoder("odometry").decode(data)


def test_padding_behind_a_message_changes_nothing():
    record = random_record("wrench", 3, 9)
    data = Encoder("wrench", "wren/base_link").encode(9, record[0])
    assert Decoder("wrench").decode(data + b"\0\0\0").tobytes() == record.tobytes()
