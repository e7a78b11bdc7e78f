"""`/tf`, with a stand-in for its type, which pip has not: what is sent when, and that a recording can hold it."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, TICK_NS, UNKNOWN_VARIANCE
from testbed.nodes import convert, topics
from testbed.nodes.transforms import PERIOD, Transforms
from testbed.record.types import deserialize, message, serialize
from tests.nodes.fake_contract import FakePublisher

TURN = Rotation.from_euler("ZYX", [0.5, 0.1, -0.2])


class Stand:
    """Stands for tf2_msgs' TFMessage and for a contract that has its topic."""

    def __init__(self, transforms=()):
        self.transforms = transforms
        self.out = FakePublisher("/tf")

    def publisher(self, name):
        assert name == "/tf"
        return self.out


def odometry(stamp=LOCKSTEP_START_NS, variance=1e-6):
    record = np.zeros(1, messages.ODOMETRY)[0]
    record["stamp"], record["position"], record["orientation"] = stamp, (0.1, -0.2, 0.45), TURN.as_quat()
    record["pose_covariance"] = variance * np.eye(6)
    return record


def test_a_transform_is_the_pose_of_base_link_in_the_fixed_frame():
    one = convert.transform_from_odometry(odometry(12 * NS_PER_S + 34), "table", "wren/base_link")
    assert (one.header.stamp.sec, one.header.stamp.nanosec) == (12, 34)
    assert (one.header.frame_id, one.child_frame_id) == ("table", "wren/base_link")
    at, turn = one.transform.translation, one.transform.rotation
    assert (at.x, at.y, at.z) == (0.1, -0.2, 0.45)
    assert [turn.x, turn.y, turn.z, turn.w] == TURN.as_quat().tolist()


@pytest.mark.parametrize(
    ("stamp", "variance", "count"),
    [
        (LOCKSTEP_START_NS, 1e-6, 1),
        (LOCKSTEP_START_NS + 2 * TICK_NS, 1e-6, 0),
        (LOCKSTEP_START_NS, UNKNOWN_VARIANCE, 0),
    ],
    ids=["due", "not due", "no fix"],
)
def test_it_is_sent_ten_times_a_second_by_who_knows_where_it_is(stamp, variance, count):
    contract = Stand()
    Transforms(contract, "table", "wren/base_link", Stand).send(odometry(stamp, variance))
    assert [len(one.transforms) for one in contract.out.sent] == [1] * count
    assert PERIOD == NS_PER_S // 10


@pytest.mark.skipif(topics.TRANSFORM is not None, reason="tf2_msgs is installed")
def test_without_its_type_nothing_is_sent_and_no_topic_is_asked_for():
    contract = Stand()
    Transforms(contract, "table", "wren/base_link").send(odometry())
    assert contract.out.sent == []


def test_a_recording_can_hold_it():
    at = message("geometry_msgs/msg/Vector3", x=0.1, y=-0.2, z=0.45)
    inner = message("geometry_msgs/msg/Transform", translation=at)
    one = message("geometry_msgs/msg/TransformStamped", child_frame_id="wren/base_link", transform=inner)
    data = serialize(message("tf2_msgs/msg/TFMessage", transforms=[one]), "tf2_msgs/msg/TFMessage")
    (found,) = deserialize(data, "tf2_msgs/msg/TFMessage").transforms
    assert found.child_frame_id == "wren/base_link"
    assert found.transform.translation.y == -0.2
