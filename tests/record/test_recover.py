"""A recording cut anywhere is mended up to its last whole record, and mending twice is mending once."""

import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.reader import make_reader
from rosbags.rosbag2 import Reader, Writer
from rosbags.rosbag2.enums import StoragePlugin

from testbed.description import messages
from testbed.record import encode
from testbed.record.container import MAGIC, records
from testbed.record.metadata import FILE
from testbed.record.recover import RecordingError, is_complete, recording_file, recover
from testbed.record.types import typestore
from testbed.record.writer import RecordingWriter
from tests.record.example import VEHICLE, random_ranges, random_records, stamps


def write_example(folder, count=4):
    encoder = encode.VehicleEncoder(VEHICLE, "table")
    with RecordingWriter(folder) as writer:
        writer.write_blocks([encoder.imu(random_records(messages.IMU, count))])
        writer.write_blocks([encoder.ranges(random_ranges(count), stamps(count)), encode.clock(stamps(count))])
    return recording_file(folder).read_bytes()


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    return write_example(tmp_path_factory.mktemp("whole") / "bag")


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    return write_example(tmp_path_factory.mktemp("large") / "bag", 400)


def message_ends(data):
    return np.array([stop for opcode, _, stop in records(data, len(MAGIC)) if opcode == 5])


def cut(folder, data):
    folder.mkdir(exist_ok=True)
    for file in folder.iterdir():
        file.unlink()
    (folder / "bag_0.mcap").write_bytes(data)
    return folder


def check_mended(folder, data, length):
    """Mended it holds exactly the messages that were whole, for both libraries, and every byte is still somewhere."""
    kept = int(np.sum(message_ends(data) <= length))
    recovery = recover(folder)
    assert recovery.message_count == kept
    assert is_complete(folder)
    with Reader(folder) as reader:
        assert reader.message_count == kept
        assert len(list(reader.messages())) == kept
    file = recording_file(folder)
    with file.open("rb") as stream:
        assert len(list(make_reader(stream).iter_messages(log_time_order=False))) == kept
    mended = file.read_bytes()
    torn = file.with_suffix(".torn")
    left = torn.read_bytes() if torn.exists() else b""
    assert mended.startswith(data[: length - len(left)])
    assert data[:length].endswith(left)
    again = recover(folder)
    assert (again.mended, again.message_count) == (False, kept)
    assert file.read_bytes() == mended


def test_a_cut_at_any_byte_of_the_tail_is_mended(tmp_path):
    with RecordingWriter(tmp_path / "whole") as writer:
        writer.write_blocks([encode.clock(stamps(3))])
    small = recording_file(tmp_path / "whole").read_bytes()
    before_last, last = (int(end) for end in message_ends(small)[-2:])
    for length in range(before_last, last):
        check_mended(cut(tmp_path / "bag", small[:length]), small, length)
    for length in range(last, len(small)):
        recover(cut(tmp_path / "bag", small[:length]))
        assert recording_file(tmp_path / "bag").read_bytes() == small


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_cut_anywhere_is_mended(tmp_path_factory, large, data):
    length = data.draw(st.integers(0, len(large)))
    check_mended(cut(tmp_path_factory.mktemp("cut") / "bag", large[:length]), large, length)


def test_a_file_cut_while_it_was_being_closed_ends_as_if_it_had_been_closed(tmp_path, whole):
    folder = cut(tmp_path / "bag", whole[:-20])
    recover(folder)
    assert recording_file(folder).read_bytes() == whole
    assert not recording_file(folder).with_suffix(".torn").exists()


def test_a_complete_recording_is_left_alone(tmp_path):
    data = write_example(tmp_path / "bag")
    before = (tmp_path / "bag" / FILE).stat().st_mtime_ns
    assert not recover(tmp_path / "bag").mended
    assert (tmp_path / "bag" / FILE).stat().st_mtime_ns == before
    assert recording_file(tmp_path / "bag").read_bytes() == data


def test_missing_metadata_is_made_again_as_it_was(tmp_path):
    write_example(tmp_path / "bag")
    metadata = tmp_path / "bag" / FILE
    text = metadata.read_text()
    metadata.unlink()
    assert recover(tmp_path / "bag").mended
    assert metadata.read_text() == text


def test_a_file_with_zeros_after_a_power_failure_keeps_its_messages(tmp_path, whole):
    length = int(message_ends(whole)[-1])
    folder = cut(tmp_path / "bag", whole[:length] + bytes(5000))
    recovery = recover(folder)
    assert recovery.message_count == len(message_ends(whole))
    assert recovery.torn_bytes == 5000
    assert recording_file(folder).with_suffix(".torn").read_bytes() == bytes(5000)


def test_a_cut_while_mending_leaves_a_recording_that_can_be_mended(tmp_path, whole, monkeypatch):
    length = int(message_ends(whole)[-2]) + 10
    folder = cut(tmp_path / "bag", whole[:length])

    def fail(descriptor):
        raise OSError("disk full")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(OSError, match="disk full"):
            recover(folder)
    recording_file(folder).write_bytes(recording_file(folder).read_bytes()[:-15])
    assert recover(folder).message_count == len(message_ends(whole)) - 1
    assert recording_file(folder).with_suffix(".torn").read_bytes() == whole[length - 10 : length]


def test_a_file_in_chunks_is_refused_and_not_touched(tmp_path):
    with Writer(tmp_path / "bag", version=9, storage_plugin=StoragePlugin.MCAP) as writer:
        connection = writer.add_connection("/clock", "rosgraph_msgs/msg/Clock", typestore=typestore())
        for data in encode.clock(stamps(3)).messages():
            writer.write(connection, 1, data)
    file = recording_file(tmp_path / "bag")
    cut_data = file.read_bytes()[:-50]
    file.write_bytes(cut_data)
    with pytest.raises(RecordingError, match="a chunk"):
        recover(tmp_path / "bag")
    assert file.read_bytes() == cut_data


@pytest.mark.parametrize("content", [b"something else", b"\x89PNG\r\n\x1a\n"])
def test_what_is_not_a_recording_is_refused_and_not_touched(tmp_path, content):
    folder = cut(tmp_path / "bag", content)
    with pytest.raises(RecordingError, match="as an MCAP file begins"):
        recover(folder)
    assert recording_file(folder).read_bytes() == content


def test_a_folder_without_a_recording_is_named(tmp_path):
    with pytest.raises(RecordingError, match=r"number of \.mcap files is 0"):
        recover(tmp_path)
