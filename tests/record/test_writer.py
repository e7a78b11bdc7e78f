"""A written recording is a rosbag2 folder, in order, and on disk at once."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from rosbags.rosbag2 import Reader
from ruamel.yaml import YAML

from testbed.description import messages
from testbed.record import encode
from testbed.record.recover import RecordingError, is_complete, recover
from testbed.record.types import message as build
from testbed.record.types import serialize
from testbed.record.writer import RecordingWriter
from tests.record.example import VEHICLE, random_records, stamps

STRING = "std_msgs/msg/String"


def text(content):
    return serialize(build(STRING, data=content), STRING)


def read(folder):
    with Reader(folder) as reader:
        return [(connection.topic, time, bytes(data)) for connection, time, data in reader.messages()]


def test_messages_come_back_as_they_were_written(tmp_path):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write("/plan/state", STRING, text("a"), 10, 9)
        writer.write("/plan/events", STRING, text("b"), 20, 20)
        writer.write("/plan/state", STRING, text("c"), 30, 29)
    assert read(tmp_path / "bag") == [
        ("/plan/state", 10, text("a")),
        ("/plan/events", 20, text("b")),
        ("/plan/state", 30, text("c")),
    ]


def test_every_message_is_on_disk_before_write_returns(tmp_path):
    writer = RecordingWriter(tmp_path / "bag")
    writer.write("/plan/state", STRING, text("here"), 10, 10)
    assert text("here") in writer.file.read_bytes()
    writer.close()


def test_blocks_are_merged_in_order_of_log_time_and_ties_keep_their_order(tmp_path):
    encoder = encode.VehicleEncoder(VEHICLE, "table")
    blocks = [
        encoder.imu(random_records(messages.IMU, 5)),
        encode.clock(stamps(5)),
        encode.texts("/plan/state", stamps(2, period=15_000_000), ["one", "two"]),
    ]
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write_blocks(blocks)
    found = read(tmp_path / "bag")
    assert [topic for topic, _, _ in found[:3]] == ["/wren/imu", "/clock", "/plan/state"]
    assert [time for _, time, _ in found] == sorted(time for _, time, _ in found)
    assert [data for topic, _, data in found if topic == "/wren/imu"] == blocks[0].messages()
    assert len(found) == 12


def test_a_clock_that_was_set_back_does_not_make_the_recording_unreadable(tmp_path):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write("/plan/state", STRING, text("a"), 100, 100)
        writer.write("/plan/state", STRING, text("b"), 50, 50)
        writer.write_blocks([encode.texts("/plan/state", np.array([70, 120]), ["c", "d"])])
    assert [time for _, time, _ in read(tmp_path / "bag")] == [100, 100, 100, 120]


def test_metadata_tells_types_hashes_and_quality_of_service(tmp_path):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write("/wren/maneuver", STRING, text("a"), 10, 10)
        writer.add_topic("/wren/imu", "sensor_msgs/msg/Imu")
    with Reader(tmp_path / "bag") as reader:
        maneuver, imu = sorted(reader.connections, key=lambda connection: connection.topic != "/wren/maneuver")
        assert maneuver.ext.offered_qos_profiles[0].durability.name == "TRANSIENT_LOCAL"
        assert imu.ext.offered_qos_profiles[0].durability.name == "VOLATILE"
        assert imu.digest.startswith("RIHS01_")
        assert (maneuver.msgcount, imu.msgcount) == (1, 0)
    information = YAML(typ="safe").load(tmp_path / "bag/metadata.yaml")["rosbag2_bagfile_information"]
    assert information["version"] == 9
    assert information["files"][0]["path"] == "bag_0.mcap"


def test_a_folder_with_a_recording_is_not_written_over(tmp_path):
    RecordingWriter(tmp_path / "bag").close()
    with pytest.raises(FileExistsError):
        RecordingWriter(tmp_path / "bag")


def test_a_topic_keeps_its_type(tmp_path):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.add_topic("/a", STRING)
        with pytest.raises(ValueError, match="/a holds std_msgs/msg/String"):
            writer.add_topic("/a", "std_msgs/msg/Bool")


def test_an_empty_recording_is_readable(tmp_path):
    RecordingWriter(tmp_path / "bag").close()
    assert read(tmp_path / "bag") == []


def test_more_than_twenty_thousand_messages_a_second_are_sustained(tmp_path):
    data = encode.VehicleEncoder(VEHICLE, "table").odometry("truth", random_records(messages.ODOMETRY, 1)).messages()[0]
    with RecordingWriter(tmp_path / "bag") as writer:
        start = time.process_time()
        for index in range(20_000):
            writer.write("/wren/truth", "nav_msgs/msg/Odometry", data, index, index)
        assert time.process_time() - start < 1.0


WRITE_FOREVER = """
import sys, pathlib
from testbed.record.writer import RecordingWriter
from testbed.record.types import serialize, message
data = serialize(message("std_msgs/msg/String", data="x" * 100), "std_msgs/msg/String")
writer = RecordingWriter(pathlib.Path(sys.argv[1]))
for index in range(10**9):
    writer.write("/plan/state", "std_msgs/msg/String", data, index, index)
    if index % 100 == 99:
        print(index + 1, flush=True)
"""


@pytest.mark.parametrize("moment", [1, 700, 20_000])
def test_what_was_written_before_a_kill_is_there_after_it(tmp_path, moment):
    folder = tmp_path / "bag"
    process = subprocess.Popen(
        [sys.executable, "-c", WRITE_FOREVER, str(folder)], stdout=subprocess.PIPE, text=True, cwd=Path.cwd()
    )
    assert process.stdout is not None
    written = 0
    while written < moment:
        written = int(process.stdout.readline())
    with pytest.raises(RecordingError, match="still being written"):
        recover(folder)
    os.kill(process.pid, signal.SIGKILL)
    written = max([written, *map(int, process.stdout.read().split())])
    process.wait()
    process.stdout.close()
    assert not is_complete(folder)
    recovery = recover(folder)
    assert recovery.mended
    assert recovery.message_count >= written
    assert [time for _, time, _ in read(folder)] == list(range(recovery.message_count))
