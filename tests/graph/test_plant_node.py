"""The plant's node as a holder of valves: what opens them, what closes them, what it refuses."""

import json
import os
import time
from array import array

import pytest
import rclpy
from builtin_interfaces.msg import Duration
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from std_msgs.msg import Bool, Header, String
from trajectory_msgs.msg import JointTrajectory, JointTrajectoryPoint

from testbed.description.messages import NS_PER_S
from testbed.nodes.plant import PlantNode
from testbed.nodes.process import make_executor
from testbed.nodes.topics import to_nanoseconds, to_time
from tests.graph.foreign import Foreign
from tests.graph.session import PLANS

MS = NS_PER_S // 1000


class Scene:
    """A plant on wall time in this process, and a foreign node that speaks for conductor, operator and driver."""

    def __init__(self):
        rclpy.init(args=["--ros-args", "-p", f"plan:={PLANS / 'one.yaml'}"])
        self.plant = PlantNode()
        self.executor = make_executor()
        self.executor.add_node(self.plant)
        self.foreign = Foreign(int(os.environ["ROS_DOMAIN_ID"]))
        self.foreign.beside = self.turn
        self.foreign.hear("/diagnostics")
        self.foreign.hear("valves/state", "wren")
        self.permit = True
        self.opening = False
        self.state_stamp = 0
        self.foreign.until(lambda: self.states, "the plant ticks and is heard")
        for row, vehicle in (("/plan/state", ""), ("/release", ""), ("valves/schedule", "wren")):
            self.foreign.announce(row, vehicle, hearers=1)  # now: a later wait would let the session's state grow old
        self.valves = list(self.states[-1].name)

    def turn(self):
        """One turn of the plant; beside it the session's state every 20 ms, and a schedule if valves are to open."""
        self.executor.spin_once(timeout_sec=0.0)
        self.plant.poll()
        now = time.time_ns()
        if self.permit and now - self.state_stamp > 20 * MS:
            self.state_stamp = now
            numbers = {"maneuvers": {"wren": 0}, "places": {"wren": 0}}
            state = {"stamp": now, "permit": True, "run": "hop", "attempt": 1, **numbers}
            self.send("/plan/state", String(data=json.dumps(state)))
            if self.opening:
                self.send_schedule()

    def close(self):
        self.foreign.__exit__()
        self.plant.destroy_node()
        rclpy.shutdown()

    def send(self, row, message, vehicle=""):
        self.foreign.beside = lambda: None
        try:
            self.foreign.send(row, message, vehicle, hearers=1)
        finally:
            self.foreign.beside = self.turn

    def send_schedule(self, ahead=30 * MS, stamp=None, names=None, lasts=150 * MS):
        """Open the first valve `ahead` of now for a while."""
        first = time.time_ns() + ahead if stamp is None else stamp
        opened = [1.0] + [0.0] * (len(self.valves) - 1)
        points = [
            JointTrajectoryPoint(positions=array("d", opened)),
            JointTrajectoryPoint(positions=array("d", [0.0] * len(opened)), time_from_start=Duration(nanosec=lasts)),
        ]
        names = self.valves if names is None else names
        header = Header(stamp=to_time(first))
        self.send("valves/schedule", JointTrajectory(header=header, joint_names=names, points=points), "wren")

    def send_until(self, condition, what, **schedule):
        """Send a schedule, again each second: on a loaded machine one may come late, or while the permission is old."""
        for _ in range(20):
            self.send_schedule(**{name: value() for name, value in schedule.items()})
            if self.foreign.soon(condition):
                return
        raise AssertionError(f"never came to pass: {what}")

    def refused(self, count, reason, stamp):
        """A schedule with such a stamp is refused, and the count of refusals told."""
        text = f"wren: schedule refused, {reason}; {count} so far"
        self.send_until(lambda: text in self.foreign.messages("/plant"), text, stamp=lambda: stamp(time.time_ns()))

    def close_now(self):
        self.send("valves/schedule", JointTrajectory(header=Header(stamp=to_time(time.time_ns()))), "wren")

    @property
    def states(self):
        return self.foreign.heard["/wren/valves/state"]

    @property
    def is_open(self):
        return max(self.states[-1].position) > 0.5

    def transition(self, number):
        request = ChangeState.Request(transition=Transition(id=number))
        return self.foreign.call(ChangeState, "/plant/change_state", request).success

    def release(self):
        self.send("/release", Header(stamp=to_time(time.time_ns()), frame_id="tester"))
        self.foreign.until(lambda: self.foreign.standing("/plant").get("stopped") == "False", "it is released")

    def ready(self):
        """As after a start: configured, released, active."""
        assert self.transition(Transition.TRANSITION_CONFIGURE)
        self.release()
        assert self.transition(Transition.TRANSITION_ACTIVATE)

    def fire(self):
        self.opening = True
        self.foreign.until(lambda: self.is_open, "a valve opens")

    def last_open(self):
        """Stamp of the last message that shows a valve open."""
        return to_nanoseconds([one for one in self.states if max(one.position) > 0.5][-1].header.stamp)


@pytest.fixture
def scene():
    one = Scene()
    yield one
    one.close()


@pytest.fixture
def firing(scene):
    scene.ready()
    scene.fire()
    return scene


def closes_within(scene, nanoseconds, since):
    scene.foreign.until(lambda: not scene.is_open, "valves are closed")
    scene.foreign.spin(0.4)
    assert not scene.is_open
    assert scene.last_open() - since < nanoseconds


def test_it_starts_stopped_and_no_schedule_opens_anything(scene):
    scene.opening = True
    scene.foreign.spin(0.5)
    assert not scene.is_open
    assert scene.transition(Transition.TRANSITION_CONFIGURE)
    assert not scene.transition(Transition.TRANSITION_ACTIVATE), "activated before it was released"
    scene.foreign.spin(0.3)
    scene.release()
    scene.foreign.spin(0.5)
    assert all(max(one.position) < 0.5 for one in scene.states), "released but not active"
    assert scene.transition(Transition.TRANSITION_ACTIVATE)
    scene.foreign.until(lambda: scene.is_open, "a valve opens at last")


def test_a_stop_closes_valves_at_once_and_only_release_and_activation_open_them_again(firing):
    at = time.time_ns()
    firing.send("/stop", Bool(data=True))
    closes_within(firing, 100 * MS, at)
    standing = firing.foreign.standing("/plant")
    assert (standing["stopped"], standing["active"]) == ("True", "False")
    assert "stopped" in standing["message"]
    assert not firing.transition(Transition.TRANSITION_ACTIVATE)
    firing.send("/release", Header(stamp=to_time(at - NS_PER_S), frame_id="tester"))
    firing.foreign.spin(0.3)
    assert firing.foreign.standing("/plant")["stopped"] == "True", "a release older than the stop"
    firing.release()
    assert not firing.is_open
    assert firing.transition(Transition.TRANSITION_ACTIVATE)
    firing.foreign.until(lambda: firing.is_open, "a valve opens again")


def test_a_false_on_stop_means_nothing(firing):
    firing.send("/stop", Bool(data=False))
    firing.foreign.spin(0.3)
    assert firing.foreign.standing("/plant")["stopped"] == "False"
    firing.foreign.until(lambda: firing.is_open, "valves still open")


def test_deactivating_closes_valves(firing):
    at = time.time_ns()
    assert firing.transition(Transition.TRANSITION_DEACTIVATE)
    closes_within(firing, 100 * MS, at)


def test_valves_close_a_quarter_second_after_the_session_s_state_has_fallen_silent(firing):
    at = firing.state_stamp
    firing.permit = False
    keep_sending = firing.turn

    def schedules_only():
        keep_sending()
        if firing.opening and time.time_ns() - firing.state_stamp > 20 * MS:
            firing.send_schedule()

    firing.foreign.beside = schedules_only
    firing.foreign.until(lambda: not firing.is_open and time.time_ns() - at > 400 * MS, "valves are closed")
    assert firing.last_open() - at < 250 * MS + 20 * MS, "open longer than the permission lasts, by more than two ticks"


def test_valves_close_when_schedules_dry_up(firing):
    at = firing.state_stamp
    firing.opening = False
    closes_within(firing, 300 * MS, at)


@pytest.mark.parametrize(
    ("stamp", "reason"),
    [
        (lambda now: 0, "stamp zero"),
        (lambda now: now - 100 * MS, "past"),
        (lambda now: now + 2 * NS_PER_S, "too far"),
    ],
    ids=["stamp zero", "past", "too far ahead"],
)
def test_a_schedule_that_is_not_for_now_is_refused_and_counted(scene, stamp, reason):
    scene.ready()
    for count in (1, 2):
        scene.refused(count, reason, stamp)
    assert not scene.is_open


def test_a_schedule_for_other_valves_is_refused_and_the_plant_goes_on(scene):
    scene.ready()
    scene.send_schedule(names=["left", "right"])
    scene.foreign.spin(0.3)
    assert all(max(one.position) < 0.5 for one in scene.states)
    scene.fire()


def test_an_empty_schedule_closes_valves_before_their_time(scene):
    scene.ready()
    scene.send_until(lambda: scene.is_open, "a valve opens", lasts=lambda: 190 * MS)
    opened = to_nanoseconds(scene.states[-1].header.stamp)
    scene.close_now()
    scene.foreign.until(lambda: not scene.is_open, "it closes")
    assert to_nanoseconds(scene.states[-1].header.stamp) - opened < 150 * MS, "it closed only at its time"
