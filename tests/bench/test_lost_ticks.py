"""A tick counts as lost when the clock, a vehicle's inertial data or the answer of anybody due is missing."""

import pytest

from testbed.bench.lockstep.lost_ticks import lost_ticks
from testbed.description.locate import locate
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS, TICK_NS
from testbed.description.ticks import due, schedule_due, wrench_due
from testbed.plan.configuration import load_configuration
from testbed.record.types import message, serialize
from testbed.record.writer import RecordingWriter

HEADER = "std_msgs/msg/Header"
CLOCK = "/clock"
IMU = "/wren/imu"
LAST = LOCKSTEP_START_NS + 2 * NS_PER_S
FIRST_SECOND = range(LOCKSTEP_START_NS, LOCKSTEP_START_NS + NS_PER_S, TICK_NS)


def done(stamp, follower):
    time = message("builtin_interfaces/msg/Time", sec=stamp // NS_PER_S, nanosec=stamp % NS_PER_S)
    return serialize(message(HEADER, stamp=time, frame_id=follower), HEADER)


def record(folder, missing):
    """Two seconds of a session of one vehicle, without the messages in `missing`: (topic or follower, stamp)."""
    answers = {
        "/wren/estimator": lambda stamp: due(stamp, PERIOD_NS["odometry"]),
        "/wren/guidance": wrench_due,
        "/wren/thruster_driver": lambda stamp: schedule_due(stamp, 100_000_000),
        "/conductor": lambda stamp: due(stamp, PERIOD_NS["/plan/state"]),
    }
    with RecordingWriter(folder) as writer:
        for stamp in range(LOCKSTEP_START_NS, LAST + 1, TICK_NS):
            for topic, kind in ((CLOCK, "rosgraph_msgs/msg/Clock"), (IMU, "sensor_msgs/msg/Imu")):
                if (topic, stamp) not in missing:
                    writer.write(topic, kind, b"\0\1\0\0", stamp, stamp)
            for follower, is_due in answers.items():
                if is_due(stamp) and (follower, stamp) not in missing:
                    writer.write("/clock/done", HEADER, done(stamp, follower), stamp, stamp)
    return folder


@pytest.fixture(scope="module")
def configuration():
    return load_configuration(locate("plans/first-float.yaml"))


def test_none_is_lost_when_all_is_there(tmp_path, configuration):
    assert lost_ticks(record(tmp_path / "recording", set()), configuration) == (len(FIRST_SECOND), 0)


@pytest.mark.parametrize(
    "who", [CLOCK, IMU, "/wren/estimator", "/wren/guidance", "/wren/thruster_driver", "/conductor"]
)
def test_one_missing_message_is_one_lost_tick(tmp_path, configuration, who):
    missing = {(who, LOCKSTEP_START_NS + 400_000_000)}
    assert lost_ticks(record(tmp_path / "recording", missing), configuration) == (len(FIRST_SECOND), 1)


def test_several_messages_missing_at_a_tick_are_one_lost_tick(tmp_path, configuration):
    stamp = LOCKSTEP_START_NS + 400_000_000
    missing = {(CLOCK, stamp), ("/conductor", stamp), (IMU, stamp)}
    assert lost_ticks(record(tmp_path / "recording", missing), configuration)[1] == 1
