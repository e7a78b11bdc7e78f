"""A stop from anybody on the graph ends motion at once, and only the operator's word gives it back."""

import time
from pathlib import Path

import pytest
import rclpy
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState
from std_msgs.msg import Bool
from std_srvs.srv import Trigger

from testbed.nodes.children import Children
from testbed.nodes.launcher import LauncherNode, Rehearsal, session_environment, start_processes
from testbed.plan.commands import SessionPhase
from testbed.plan.configuration import load_configuration
from testbed.record.reader import RecordingReader
from testbed.record.types import deserialize
from tests.graph.foreign import Foreign
from tests.graph.session import PATIENCE, PLANS, Session, all_closed_at_the_end, open_after

HOLDERS = ("/plant", "/wren/thruster_driver")
WHO_HEARS_A_STOP = len(HOLDERS) + 2
"""The holders of valves, the conductor and the recorder."""


@pytest.mark.parametrize(
    "options",
    [
        pytest.param(("--speed", "1"), id="live"),
        pytest.param(("--speed", "2"), id="lockstep", marks=pytest.mark.prove),
    ],
)
def test_a_stop_from_a_foreign_node_ends_the_session(tmp_path, options):
    with Session("long", tmp_path / "results", *options) as session, Foreign(session.domain) as foreign:
        foreign.hear("/diagnostics")
        session.until_firing()
        foreign.until(lambda: all(foreign.standing(one) for one in HOLDERS), "both holders are heard")
        at = time.time_ns()
        foreign.send("/stop", Bool(data=True), hearers=WHO_HEARS_A_STOP)
        for one in HOLDERS:
            foreign.until(lambda one=one: foreign.standing(one)["stopped"] == "True", f"{one} says that it is stopped")
            assert foreign.standing(one)["active"] == "False"
            assert "stopped" in foreign.standing(one)["message"]
        assert session.end() == 1, session.output + session.logs()
        recording, reader = session.recording(), RecordingReader(tmp_path / "results" / "recording")
    assert all_closed_at_the_end(recording)
    if options[1] == "1":
        assert open_after(recording, at)["wren"] < 0.25
    assert recording.states[-1].phase is SessionPhase.STOPPED
    assert not recording.states[-1].permit
    assert recording.stops
    for one in HOLDERS:
        assert transitions(reader, one)[-1] == "inactive"
    released = reader.channels["/release"]
    assert not any(
        released.data(index) for index in range(len(released)) if released.log_times[index] > recording.stops[0]
    )
    stop = next(event for event in recording.events if event.kind == "stop")
    assert "wren" in stop.data["ends"], "it is told where the vehicle will end up"


def transitions(reader, holder):
    """States that a holder's lifecycle has reached."""
    channel = reader.channels[f"{holder}/transition_event"]
    return [deserialize(channel.data(index), channel.type).goal_state.label for index in range(len(channel))]


class Operated:
    """A session whose operator is this test: the launcher's processes, but nobody who ends them after a stop."""

    def __init__(self, folder: Path, domain: int) -> None:
        plan = PLANS / "long.yaml"
        rehearsal = Rehearsal(plan, load_configuration(plan), folder, None)
        self.children = Children(folder, session_environment(domain, folder))
        start_processes(rehearsal, self.children)
        self.children.begin_together()
        rclpy.init()
        self.launcher = LauncherNode(rehearsal)  # one of those whom the others wait for
        self.foreign = Foreign(domain)
        self.foreign.hear("/diagnostics")
        self.foreign.hear("/plan/state")
        self.foreign.hear("valves/state", "wren")
        self.foreign.beside = lambda: rclpy.spin_once(self.launcher, timeout_sec=0.0)

    def close(self):
        self.foreign.__exit__()
        self.launcher.destroy_node()
        rclpy.shutdown()
        self.children.close()

    def ask(self, name):
        return self.foreign.call(Trigger, f"/plan/{name}", Trigger.Request())

    def activate(self, holder):
        request = ChangeState.Request(transition=Transition(id=Transition.TRANSITION_ACTIVATE))
        return self.foreign.call(ChangeState, f"{holder}/change_state", request).success

    def all_stand(self, **expected):
        return all(expected.items() <= self.foreign.standing(one).items() for one in HOLDERS)


@pytest.fixture
def operated(tmp_path, ros_domain):
    one = Operated(tmp_path, ros_domain)
    yield one
    one.close()


def test_after_a_stop_release_and_activation_are_possible_but_never_come_by_themselves(operated):
    foreign = operated.foreign
    foreign.until(lambda: operated.ask("release").success, "all have started and the release is accepted", PATIENCE)
    foreign.until(lambda: operated.all_stand(stopped="False", active="True"), "both holders are active")
    foreign.until(lambda: operated.ask("start").success, "the start is accepted")
    foreign.until(lambda: any(max(one.position) > 0.5 for one in foreign.heard["/wren/valves/state"]), "valves fire")
    foreign.send("/stop", Bool(data=True), hearers=WHO_HEARS_A_STOP)
    foreign.until(lambda: operated.all_stand(stopped="True", active="False"), "both holders are stopped")

    states = len(foreign.heard["/plan/state"])
    foreign.until(lambda: len(foreign.heard["/plan/state"]) > states + 15, "the conductor had 1.5 s to release them")
    assert operated.all_stand(stopped="True", active="False")
    assert not any(operated.activate(one) for one in HOLDERS), "activated before the release"
    assert not operated.ask("start").success

    foreign.until(lambda: operated.ask("release").success, "the release is accepted")
    foreign.until(lambda: operated.all_stand(stopped="False", active="True"), "both holders are active again")
    closed = len(foreign.heard["/wren/valves/state"])
    foreign.until(lambda: len(foreign.heard["/wren/valves/state"]) > closed + 5, "half a second passes")
    assert all(max(one.position) < 0.5 for one in foreign.heard["/wren/valves/state"][closed:]), "the session is over"
