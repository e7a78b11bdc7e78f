"""A guidance that starts late, or again, has no authority until the plan gives a maneuver with a new number."""

import json
import os

import numpy as np
import pytest
import rclpy
from geometry_msgs.msg import PoseStamped
from std_msgs.msg import String

from testbed.description import messages
from testbed.description.maneuver import Maneuver
from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S, PERIOD_NS
from testbed.description.status import status_record
from testbed.nodes import convert
from testbed.nodes.guidance import GuidanceNode
from testbed.nodes.process import make_executor
from tests.graph.foreign import Foreign
from tests.graph.session import PLANS


def maneuver(number, x, attempt=1):
    """Hold where `x` says, a metre away from where the vehicle is told to be."""
    return Maneuver(
        number=number,
        run="hop",
        attempt=attempt,
        kind="hold",
        start=LOCKSTEP_START_NS,
        expiry=3600 * NS_PER_S,
        position=(x, 0.0, 0.45),
        orientation=(0.0, 0.0, 0.0, 1.0),
    )


class Scene:
    """A guidance on wall time in this process, and a foreign node that speaks for estimator and conductor."""

    def __init__(self):
        self.foreign = Foreign(int(os.environ["ROS_DOMAIN_ID"]))
        self.stamp = self.planned = 10 * NS_PER_S
        for row in ("wrench", "maneuver/status"):
            self.foreign.hear(row, "wren")
        rclpy.init(args=["--ros-args", "-r", "__ns:=/wren", "-p", f"plan:={PLANS / 'one.yaml'}"])
        self.guidance = GuidanceNode()
        self.executor = make_executor()
        self.executor.add_node(self.guidance)
        self.foreign.beside = lambda: self.executor.spin_once(timeout_sec=0.0)
        outgoing = [one for one in self.guidance.publishers if one.topic in ("/wren/wrench", "/wren/maneuver/status")]
        self.foreign.until(lambda: all(one.get_subscription_count() for one in outgoing), "its answers are heard")

    def close(self):
        self.foreign.__exit__()
        self.guidance.destroy_node()
        rclpy.shutdown()

    def give(self, one, hearers=1):
        self.foreign.send("maneuver", String(data=one.model_dump_json()), "wren", hearers)

    def plan(self, number, attempt=1):
        """Tell the plan's state several times, as the conductor does: who was found a moment ago may miss the first."""
        numbers = {"maneuvers": {"wren": number}, "places": {"wren": 0}}
        for _ in range(4):
            self.planned += 1
            state = {"stamp": self.planned, "permit": True, "run": "hop", "attempt": attempt, **numbers}
            self.foreign.send("/plan/state", String(data=json.dumps(state)), hearers=1)
            self.foreign.spin(0.05)

    def answer(self):
        """Wrench and status at the next tick of both, told that the vehicle rests at the origin."""
        before = {name: len(self.foreign.heard[f"/wren/{name}"]) for name in ("wrench", "maneuver/status")}
        for _ in range(20):  # who was found a moment ago may miss the first message
            self.stamp += PERIOD_NS["maneuver/status"]
            self.tell_odometry()
            if self.foreign.soon(
                lambda: all(len(self.foreign.heard[f"/wren/{name}"]) > count for name, count in before.items())
            ):
                break
        wrench = self.foreign.heard["/wren/wrench"][-1].wrench
        return (wrench.force.x, wrench.force.y), status_record(self.foreign.heard["/wren/maneuver/status"][-1].data)[0]

    def tell_odometry(self):
        record = np.zeros(1, messages.ODOMETRY)
        record["stamp"], record["position"], record["orientation"] = self.stamp, (0.0, 0.0, 0.45), (0.0, 0.0, 0.0, 1.0)
        record["pose_covariance"] = record["twist_covariance"] = 1e-6 * np.eye(6)
        self.foreign.send("odometry", convert.odometry_to_message(record[0], "table", "wren/base_link"), "wren", 1)


@pytest.fixture
def scene():
    one = Scene()
    yield one
    one.close()


def test_without_a_plan_it_asks_for_nothing(scene):
    scene.give(maneuver(1, 1.0))
    force, status = scene.answer()
    assert force == (0.0, 0.0)
    assert status["number"] == 0


def test_a_maneuver_that_was_in_force_before_it_started_gives_no_authority(scene):
    """The latched maneuver reaches a late joiner too, and the plan names it; still it is not obeyed."""
    scene.give(maneuver(3, 1.0))
    scene.plan(3)
    force, status = scene.answer()
    assert force == (0.0, 0.0)
    assert status["number"] == 0
    scene.plan(3)
    assert scene.answer()[0] == (0.0, 0.0), "nor the second time it is named"


def test_only_a_maneuver_of_the_next_try_gives_authority(scene):
    scene.plan(3)
    scene.answer()
    scene.give(maneuver(4, 1.0))
    scene.plan(4)
    force, status = scene.answer()
    assert force == (0.0, 0.0), "the try goes on that it has missed the beginning of"
    scene.give(maneuver(5, 1.0, attempt=2))
    scene.plan(5, attempt=2)
    force, status = scene.answer()
    assert force[0] > 0.0
    assert status["number"] == 5


def test_a_maneuver_that_the_plan_does_not_name_is_not_obeyed(scene):
    scene.plan(0)
    scene.give(maneuver(1, 1.0))
    force, status = scene.answer()
    assert force == (0.0, 0.0)
    assert status["number"] == 0
    scene.plan(1)
    assert scene.answer()[0][0] > 0.0


def test_an_older_number_takes_nothing_back(scene):
    scene.plan(0)
    scene.answer()
    scene.give(maneuver(2, 1.0))
    scene.plan(2)
    scene.answer()
    scene.give(maneuver(1, -1.0))
    scene.plan(1)
    force, status = scene.answer()
    assert status["number"] == 2
    assert force[0] > 0.0


def pose(x, frame="table"):
    one = PoseStamped()
    one.header.frame_id, one.pose.position.x, one.pose.orientation.w = frame, x, 1.0
    return one


def word(scene):
    """What the last status said of the last goal."""
    return json.loads(scene.foreign.heard["/wren/maneuver/status"][-1].data).get("goal")


def send_goal(scene, goal, answered):
    """Force at the first tick whose status answers the goal so; a hearer found a moment ago may miss the first."""
    for _ in range(20):
        scene.foreign.send("goal", goal, "wren", hearers=1)
        scene.foreign.spin(0.1)
        force, _ = scene.answer()
        if (word(scene) or "").startswith(answered):
            break
    assert (word(scene) or "").startswith(answered)
    return force


def test_in_a_manual_run_it_goes_where_a_foreign_goal_says_and_refuses_what_is_none(scene):
    scene.plan(0)
    scene.answer()
    scene.give(maneuver(1, 0.0).model_copy(update={"manual": True}))
    scene.plan(1)
    force, status = scene.answer()
    assert force == pytest.approx((0.0, 0.0), abs=1e-6)
    assert word(scene) is None
    send_goal(scene, pose(0.5), "taken: x 0.5 m, y 0 m")
    for _ in range(3):  # the reference has to get under way
        force, status = scene.answer()
    assert force[0] > 0.0
    assert status["number"] == 1
    force = send_goal(scene, pose(50.0), "refused: x is 50 m, allowed: ")
    assert force[0] > 0.0, "it goes on to the goal before"


def test_outside_a_manual_run_a_goal_is_refused(scene):
    scene.plan(0)
    scene.answer()
    scene.give(maneuver(1, 0.0))
    scene.plan(1)
    scene.answer()
    force = send_goal(scene, pose(0.5), "refused: this is no run of kind manual")
    assert force == pytest.approx((0.0, 0.0), abs=1e-6)
