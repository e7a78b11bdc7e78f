"""What is loaded is what was written, from a whole recording and from a cut one."""

import json

import numpy as np
import pytest
from rosbags.rosbag2 import Writer
from rosbags.rosbag2.enums import StoragePlugin

from testbed.description import messages
from testbed.record import encode
from testbed.record.load import load
from testbed.record.reader import RecordingReader
from testbed.record.recover import RecordingError, recording_file
from testbed.record.types import deserialize, message, serialize, typestore
from testbed.record.writer import RecordingWriter
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

EMPTY_OBJECT = b"\x00\x01\x00\x00\x03\x00\x00\x00{}\x00"
ENCODER = encode.VehicleEncoder(VEHICLE, "table")


def write(folder, *blocks):
    with RecordingWriter(folder) as writer:
        writer.write_blocks(blocks)
    return folder


@pytest.mark.parametrize("topic", ["odometry", "truth", "reference"])
def test_odometries_survive_the_way_through_a_recording(tmp_path, topic):
    records = random_records(messages.ODOMETRY, 50)
    # a vehicle is found by its truth or odometry where no configuration was recorded
    blocks = [ENCODER.odometry(topic, records), ENCODER.odometry("truth", records)][: 2 if topic == "reference" else 1]
    found = load(write(tmp_path / "bag", *blocks))
    assert np.array_equal(getattr(found.vehicles["wren"], topic), records)


def test_every_other_record_survives_too(tmp_path):
    wrenches, truth = random_records(messages.WRENCH, 30), random_records(messages.ODOMETRY, 1)
    status = random_records(messages.STATUS, 7)
    status["phase"], status["reason"] = 2, 3
    states = np.random.default_rng(0).integers(0, 2, (40, 12))
    pressure, temperature = np.linspace(20e6, 19e6, 5), np.linspace(293.0, 293.4, 5)
    rates = np.random.default_rng(1).normal(size=(5, 3))
    folder = write(
        tmp_path / "bag",
        ENCODER.odometry("truth", truth),
        ENCODER.wrench(wrenches),
        ENCODER.status(status),
        ENCODER.valve_states(stamps(40), states),
        ENCODER.pressure(stamps(5), pressure),
        ENCODER.temperature(stamps(5), temperature),
        ENCODER.battery(batteries(stamps(5), np.full(5, 0.5))),
        ENCODER.bias(stamps(5), rates),
        ENCODER.disturbance(stamps(5), rates),
    )
    wren = load(folder).vehicles["wren"]
    assert np.array_equal(wren.wrench, wrenches)
    assert np.array_equal(wren.status, status)
    assert wren.valves.names == tuple(VALVES)
    assert np.array_equal(wren.valves.open, states == 1)
    assert np.array_equal(wren.pressure["pressure"], pressure)
    assert wren.temperature["temperature"] == pytest.approx(temperature, abs=1e-12)
    assert wren.battery["percentage"] == pytest.approx(0.5)
    assert np.array_equal(wren.bias["vector"], rates)
    assert np.array_equal(wren.disturbance["force"], rates)


def test_trajectories_survive_and_those_that_guidance_could_not_read_are_left_out(tmp_path):
    records = random_trajectories(12)
    block = ENCODER.trajectories(records, stamps(12))
    kind = block.message_type
    foreign = [deserialize(ENCODER.trajectories(records[:1], stamps(1)).messages()[0], kind) for _ in range(3)]
    point = ENCODER.trajectories(random_trajectories(40)[-1:], stamps(1)).messages()[0]
    foreign[0].joint_names = ["siskin/base_link/maneuver/8"]
    foreign[1].points = [deserialize(point, kind).points[0]] * (messages.MAX_KNOTS + 1)
    foreign[2].points = [deserialize(point, kind).points[0]]
    foreign[2].points[0].velocities = []
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write_blocks([ENCODER.odometry("truth", random_records(messages.ODOMETRY, 1)), block])
        for number, message in enumerate(foreign):
            writer.write("/wren/trajectory", kind, serialize(message, kind), 10**11 + number, number)
    found = load(tmp_path / "bag")
    assert np.array_equal(found.vehicles["wren"].trajectories, records)
    assert found.counts["/wren/trajectory"] == 15


def test_a_repeated_message_counts_once_and_late_ones_are_put_in_order(tmp_path):
    records = random_records(messages.ODOMETRY, 6)
    shuffled = records[[0, 2, 1, 2, 3, 5, 4]]
    block = ENCODER.odometry("truth", shuffled)
    with RecordingWriter(tmp_path / "bag") as writer:
        for number, data in enumerate(block.messages()):
            writer.write("/wren/truth", block.message_type, data, number, number)
    assert np.array_equal(load(tmp_path / "bag").vehicles["wren"].truth, records)


def test_a_frame_name_of_another_length_does_not_shift_the_numbers(tmp_path):
    records = random_records(messages.ODOMETRY, 4)
    other = encode.VehicleEncoder(VEHICLE, "cabin").odometry("truth", records[2:])
    data = ENCODER.odometry("truth", records[:2]).messages() + other.messages()
    swapped = deserialize(data[1], "nav_msgs/msg/Odometry")
    swapped.header.frame_id, swapped.child_frame_id = swapped.child_frame_id, swapped.header.frame_id
    data[1] = serialize(swapped, "nav_msgs/msg/Odometry")
    with RecordingWriter(tmp_path / "bag") as writer:
        for number, one in enumerate(data):
            writer.write("/wren/truth", "nav_msgs/msg/Odometry", one, number, number)
    assert np.array_equal(load(tmp_path / "bag").vehicles["wren"].truth, records)


def test_valves_are_put_in_order_by_name(tmp_path):
    kind = "sensor_msgs/msg/JointState"
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write_blocks([ENCODER.odometry("truth", random_records(messages.ODOMETRY, 1))])
        for number, names in enumerate((["a", "b"], ["b", "a"])):
            stamp = message("builtin_interfaces/msg/Time", sec=number + 1)
            state = message(
                kind, header=message("std_msgs/msg/Header", stamp=stamp), name=names, position=np.array([1.0, 0.0])
            )
            writer.write("/wren/valves/state", kind, serialize(state, kind), 10**10 + number, number)
    valves = load(tmp_path / "bag").vehicles["wren"].valves
    assert valves.names == ("a", "b")
    assert valves.open.tolist() == [[True, False], [False, True]]
    assert valves.edges() == 2


def test_events_contacts_and_stops_are_read(tmp_path):
    events = [json.dumps({"stamp": n, "kind": "note", "run": "", "attempt": 0, "data": {}}) for n in (5, 5, 9)]
    contact = {"stamp": 7, "first": "wren", "second": "edge", "peak_force": 1.5, "impulse": 0.1}
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write_blocks(
            [
                encode.texts("/plan/events", np.array([5, 6, 9]), events),
                encode.texts("/contacts", np.array([10]), [json.dumps({"stamp": 10, "contacts": [contact]})]),
            ]
        )
        for number, on in enumerate((False, True)):
            data = serialize(message("std_msgs/msg/Bool", data=on), "std_msgs/msg/Bool")
            writer.write("/stop", "std_msgs/msg/Bool", data, 100 + number, 100)
    found = load(tmp_path / "bag")
    assert [event.stamp for event in found.events] == [5, 9]  # the same one twice is a repetition
    assert found.contacts[0].peak_force == 1.5
    assert found.stops == (101,)


def test_a_cut_recording_is_read_up_to_the_cut_and_says_so(tmp_path):
    records = random_records(messages.ODOMETRY, 50)
    folder = write(tmp_path / "bag", ENCODER.odometry("truth", records))
    assert not load(folder).cut
    file = recording_file(folder)
    data = file.read_bytes()
    place = data.index(ENCODER.odometry("truth", records[30:31]).messages()[0])
    file.write_bytes(data[: place + 5])
    found = load(folder)
    assert found.cut
    assert np.array_equal(found.vehicles["wren"].truth, records[:30])
    assert file.read_bytes() == data[: place + 5]


def test_messages_come_in_order_of_receipt(tmp_path):
    folder = write(
        tmp_path / "bag",
        ENCODER.imu(random_records(messages.IMU, 10)),
        ENCODER.ranges(random_ranges(10), stamps(10)),
        ENCODER.schedules(random_schedules(10), stamps(10)),
    )
    found = list(RecordingReader(folder).messages())
    assert [one.topic for one in found[:3]] == ["/wren/imu", "/wren/ranges", "/wren/valves/schedule"]
    assert len(found) == 30
    assert [one.log_time for one in found] == sorted(one.log_time for one in found)
    assert {one.topic for one in RecordingReader(folder).messages(["/wren/imu"])} == {"/wren/imu"}


def test_a_recording_in_chunks_by_another_program_is_read_too(tmp_path):
    records = random_records(messages.ODOMETRY, 20)
    with Writer(tmp_path / "bag", version=9, storage_plugin=StoragePlugin.MCAP) as writer:
        connection = writer.add_connection("/wren/truth", "nav_msgs/msg/Odometry", typestore=typestore())
        for number, data in enumerate(ENCODER.odometry("truth", records).messages()):
            writer.write(connection, number, data)
    assert np.array_equal(load(tmp_path / "bag").vehicles["wren"].truth, records)


@pytest.mark.parametrize(
    ("topic", "kind", "data", "problem"),
    [
        ("/wren/truth", "nav_msgs/msg/Odometry", b"\x00\x01\x00\x00", "does not hold nav_msgs/msg/Odometry"),
        ("/wren/truth", "nav_msgs/msg/Odometry", b"\x00\x00\x00\x00", "not in little-endian CDR"),
        ("/wren/truth", "sensor_msgs/msg/Imu", b"\x00\x01\x00\x00", "holds sensor_msgs/msg/Imu, allowed: nav_msgs"),
        ("/plan/events", "std_msgs/msg/String", b"\x00\x01\x00\x00\x03\x00\x00\x00{]\x00", "/plan/events"),
        (
            "/plan/configuration",
            "std_msgs/msg/String",
            b"\x00\x01\x00\x00\x03\x00\x00\x00{}\x00",
            "/plan/configuration",
        ),
    ],
)
def test_contents_that_do_not_follow_the_contract_are_named(tmp_path, topic, kind, data, problem):
    with RecordingWriter(tmp_path / "bag") as writer:
        writer.write(topic, kind, data, 1, 1)
    with pytest.raises(RecordingError, match=problem):
        load(tmp_path / "bag")
