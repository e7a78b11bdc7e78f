"""Recordings read back by two libraries of others: `rosbags` (its own reader and CDR) and `mcap` (its readers).

Also the hashes of message types (RIHS01, REP 2011) against those that the ROS 2 packages ship with their types.
"""

import json
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from mcap.reader import NonSeekingReader, SeekingReader
from rosbags.highlevel import AnyReader
from rosbags.rosbag2 import Reader

from testbed.description import messages
from testbed.record import contract, encode
from testbed.record.recover import recording_file
from testbed.record.types import definition, typestore
from testbed.record.writer import RecordingWriter
from tests.record.example import VEHICLE, random_ranges, random_records, random_schedules, stamps

COUNT = 50


@pytest.fixture(scope="module")
def odometry():
    return random_records(messages.ODOMETRY, COUNT)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, odometry):
    encoder = encode.VehicleEncoder(VEHICLE, "table")
    folder = tmp_path_factory.mktemp("external") / "recording"
    with RecordingWriter(folder) as writer:
        writer.write_blocks(
            [
                encoder.imu(random_records(messages.IMU, COUNT)),
                encoder.odometry("odometry", odometry),
                encoder.ranges(random_ranges(COUNT), stamps(COUNT)),
                encoder.schedules(random_schedules(COUNT), stamps(COUNT)),
                encode.texts("/plan/state", stamps(COUNT), [json.dumps({"stamp": n}) for n in range(COUNT)]),
            ]
        )
    return folder


def test_rosbags_reads_every_message_and_its_numbers(folder, odometry):
    with Reader(folder) as reader:
        assert reader.message_count == 5 * COUNT
        found = [
            typestore().deserialize_cdr(data, connection.msgtype)
            for connection, _, data in reader.messages()
            if connection.topic == "/wren/odometry"
        ]
    assert [one.pose.pose.position.x for one in found] == odometry["position"][:, 0].tolist()
    assert np.array_equal([one.pose.covariance.reshape(6, 6) for one in found], odometry["pose_covariance"])


def test_rosbags_reads_with_the_definitions_in_the_file_alone(folder):
    with AnyReader([folder], default_typestore=None) as reader:
        seen = {
            connection.topic
            for connection, _, data in reader.messages()
            if reader.deserialize(data, connection.msgtype)
        }
    assert len(seen) == 5


@pytest.mark.parametrize("kind", [SeekingReader, NonSeekingReader])
def test_mcap_reads_every_message_in_order(folder, kind):
    with recording_file(folder).open("rb") as stream:
        reader = kind(stream)
        found = list(reader.iter_messages())
    assert len(found) == 5 * COUNT
    times = [message.log_time for _, _, message in found]
    assert times == sorted(times)
    channels = {channel.topic: channel for _, channel, _ in found}
    assert all(channel.message_encoding == "cdr" for channel in channels.values())
    assert {schema.encoding for schema, _, _ in found} == {"ros2msg"}


def test_mcap_finds_a_summary_with_the_right_statistics(folder):
    with recording_file(folder).open("rb") as stream:
        summary = SeekingReader(stream).get_summary()
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == 5 * COUNT
    assert sorted(summary.statistics.channel_message_counts.values()) == [COUNT] * 5
    assert len(summary.channels) == 5


TYPES = sorted({layout.type for layout in [*contract.VEHICLE_TOPICS.values(), *contract.GLOBAL_TOPICS.values()]})


@pytest.mark.parametrize("name", TYPES)
def test_type_hashes_are_those_that_ros_ships(name):
    package, kind, message = name.split("/")
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        pytest.skip(f"{package} is not installed")
    prefix = Path(next(iter(spec.submodule_search_locations)))
    found = [
        path
        for parent in (prefix, *prefix.parents[:4])
        for path in parent.glob(f"share/{package}/{kind}/{message}.json")
    ]
    if not found:
        pytest.skip("this installation of ROS ships no type descriptions")
    hashes = {one["type_name"]: one["hash_string"] for one in json.loads(found[0].read_text())["type_hashes"]}
    assert definition(name)[1] == hashes[name]
