"""The recorder knows which messages begin with a time, keeps them all, and says what it does not hear."""

import time

import pytest
import rclpy
from lifecycle_msgs.msg import TransitionEvent
from rcl_interfaces.msg import Log, ParameterEvent
from rclpy.serialization import serialize_message
from std_msgs.msg import String

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.nodes.process import make_executor
from testbed.nodes.recorder import _STAMP, AWAITED, RecorderNode, begins_with_time, type_name
from testbed.nodes.topics import GLOBAL_TOPICS, VEHICLE_TOPICS, publisher_qos, to_time, topic
from testbed.record.reader import RecordingReader
from tests.nodes.sessions import SMALL_PLANS

TYPES = {row.type for row in (*VEHICLE_TOPICS, *GLOBAL_TOPICS)} | {Log, ParameterEvent, TransitionEvent}
STAMP = 1_795_594_876_123_456_789


def set_first_time(message):
    """Put a stamp into a message's first field, if that is a header or a time; whether it was."""
    name, kind = next(iter(message.get_fields_and_field_types().items()))
    if kind == "std_msgs/Header":
        message.header.stamp = to_time(STAMP)
    elif kind == "builtin_interfaces/Time":
        setattr(message, name, to_time(STAMP))
    else:
        return False
    return True


@pytest.mark.parametrize("kind", sorted(TYPES, key=type_name), ids=type_name)
def test_the_time_of_a_message_is_read_from_its_first_bytes(kind):
    message = kind()
    assert begins_with_time(kind) == set_first_time(message)
    if begins_with_time(kind):
        seconds, nanoseconds = _STAMP.unpack_from(serialize_message(message))
        assert seconds * NS_PER_S + nanoseconds == STAMP


def test_only_texts_booleans_transitions_and_markers_have_no_time_of_their_own():
    assert {type_name(kind) for kind in TYPES if not begins_with_time(kind)} == {
        "std_msgs/msg/String",
        "std_msgs/msg/Bool",
        "lifecycle_msgs/msg/TransitionEvent",
        "visualization_msgs/msg/MarkerArray",
    }


def test_types_have_their_full_names():
    assert type_name(String) == "std_msgs/msg/String"


def test_every_row_that_is_waited_for_is_one_of_a_vehicle_s():
    assert set(AWAITED) <= {row.name for row in VEHICLE_TOPICS}


class Scene:
    def __init__(self, folder, lockstep):
        arguments = [f"plan:={SMALL_PLANS / 'one.yaml'}", f"folder:={folder}", f"lockstep:={str(lockstep).lower()}"]
        rclpy.init(args=["--ros-args", *(part for one in arguments for part in ("-p", one))])
        self.folder = folder
        self.recorder = RecorderNode()
        self.sender = rclpy.create_node("sender")
        self.executor = make_executor()
        for node in (self.recorder, self.sender):
            self.executor.add_node(node)
        self.said = []
        row = topic("/diagnostics")
        self.sender.create_subscription(row.type, row.name, self.said.append, publisher_qos(row))
        self.sent = {}

    def send(self, name, message, vehicle="wren"):
        row = topic(name)
        full = row.full_name(vehicle)
        if full not in self.sent:
            publisher = self.sender.create_publisher(row.type, full, publisher_qos(row))
            self.until(lambda: publisher.get_subscription_count() > 0, f"{full} is heard")
            self.sent[full] = publisher
        self.sent[full].publish(message)

    def until(self, condition, what):
        deadline = time.monotonic() + 20.0
        while not condition():
            assert time.monotonic() < deadline, f"waited 20 s until {what}"
            self.executor.spin_once(timeout_sec=0.01)

    def recorded(self, name):
        channel = RecordingReader(self.folder).channels.get(name)
        return len(channel) if channel is not None else 0

    @property
    def standing(self):
        """What the recorder said of itself last."""
        ours = [one for array in self.said for one in array.status if one.name == "/recorder"]
        return {value.key: value.value for value in ours[-1].values} if ours else {}

    @property
    def unheard(self):
        return self.standing.get("unheard")

    def close(self):
        self.recorder.close()
        self.recorder.destroy_node()
        self.sender.destroy_node()
        rclpy.shutdown()


@pytest.fixture(params=[False, True], ids=["wall time", "lockstep"])
def scene(request, tmp_path):
    one = Scene(tmp_path / "recording", request.param)
    one.lockstep = request.param
    yield one
    one.close()


def stamped(name, stamp):
    message = topic(name).type()
    message.header.stamp = to_time(stamp)
    return message


def test_messages_are_on_disk_at_once_with_both_times(scene):
    if scene.lockstep:
        scene.send("/clock", topic("/clock").type(clock=to_time(5 * NS_PER_S)))
        scene.until(lambda: scene.recorded("/clock") == 1, "the clock is recorded")
    before = time.time_ns()
    scene.send("imu", stamped("imu", STAMP))
    scene.until(lambda: scene.recorded("/wren/imu") == 1, "it is recorded")
    channel = RecordingReader(scene.folder).channels["/wren/imu"]
    assert channel.publish_times.tolist() == [STAMP]
    if scene.lockstep:
        assert channel.log_times.tolist() == [5 * NS_PER_S]
    else:
        assert before <= channel.log_times[0] <= time.time_ns()


def test_before_the_first_tick_lockstep_stands_at_its_start(scene):
    scene.send("/plan/events", String(data="{}"))
    scene.until(lambda: scene.recorded("/plan/events") == 1, "it is recorded")
    channel = RecordingReader(scene.folder).channels["/plan/events"]
    assert channel.publish_times.tolist() == channel.log_times.tolist()
    if scene.lockstep:
        assert channel.log_times.tolist() == [LOCKSTEP_START_NS]


def test_it_says_what_it_does_not_hear_until_it_hears_all(scene):
    scene.until(lambda: scene.unheard is not None, "it reports")
    assert scene.unheard.split(", ") == sorted(f"/wren/{row}" for row in AWAITED)
    for row in AWAITED:
        scene.send(row, stamped(row, STAMP))
    scene.until(lambda: scene.unheard == "", "it hears all")


def test_it_says_until_when_it_has_everything_and_how_many_events(scene):
    for row in AWAITED:
        scene.send(row, stamped(row, STAMP + 1000))
    scene.send("truth", stamped("truth", STAMP))
    for _ in range(3):
        scene.send("/plan/events", String(data="{}"))
    scene.until(lambda: scene.standing.get("events") == "3", "it has the events")
    scene.until(lambda: scene.standing["until"] == str(STAMP), "it tells the stamp up to which it has all")


def test_what_is_sent_before_the_end_is_kept_when_it_is_closed(scene):
    for number in range(50):
        scene.send("odometry", stamped("odometry", STAMP + number))
    scene.until(lambda: scene.recorded("/wren/odometry") == 50, "all are recorded")
    scene.recorder.close()
    assert not RecordingReader(scene.folder).cut
    assert (scene.folder / "metadata.yaml").exists()


def test_told_to_end_it_is_done_when_nothing_comes_any_more(scene):
    scene.send("odometry", stamped("odometry", STAMP))
    assert not scene.recorder.done(), "there may be messages on their way"
    scene.until(scene.recorder.done, "it is done")
    assert scene.recorded("/wren/odometry") == 1
