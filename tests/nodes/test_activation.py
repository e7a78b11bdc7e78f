"""Holders of valves become active after the operator's word, and never again by themselves after a stop."""

import pytest
from diagnostic_msgs.msg import DiagnosticArray, DiagnosticStatus, KeyValue
from lifecycle_msgs.msg import Transition
from lifecycle_msgs.srv import ChangeState

from testbed.nodes import activation
from testbed.nodes.activation import RECORDER, Activation
from tests.nodes.fake_contract import FakeContract, FakeNode
from tests.nodes.sessions import one_vehicle

HOLDERS = ("/plant", "/wren/thruster_driver")
CONFIGURE, ACTIVATE = Transition.TRANSITION_CONFIGURE, Transition.TRANSITION_ACTIVATE


class Scene:
    """An activation, and holders that answer when the test says so."""

    def __init__(self, clock, launched=False):
        self.clock = clock
        self.contract = FakeContract(False, launched)
        self.node = FakeNode("/conductor")
        self.activation = Activation(self.node, one_vehicle(), self.contract)

    def look(self, seconds=0.06):
        self.clock.now += seconds
        self.node.tick()

    def asked(self, holder):
        """Transitions that a holder was asked for, oldest first."""
        futures = self.node.clients[f"{holder}/change_state"].futures
        return [future.request.transition.id for future in futures]

    def answer(self, holder, success=True):
        self.node.clients[f"{holder}/change_state"].futures[-1].answer(ChangeState.Response(success=success))

    def say(self, name, **values):
        entries = [KeyValue(key=key, value=str(value)) for key, value in values.items()]
        self.contract.send(
            "/diagnostics", DiagnosticArray(status=[DiagnosticStatus(name=name, message="", values=entries)])
        )

    @property
    def releases(self):
        return len(self.contract.sent("/release"))

    def configured(self):
        self.look()
        for one in HOLDERS:
            self.answer(one)

    def released(self):
        self.configured()
        self.activation.release()
        self.look(1.0)
        for one in HOLDERS:
            self.say(one, stopped=False, active=False)

    def active(self):
        self.released()
        for one in HOLDERS:
            self.answer(one)


@pytest.fixture
def scene(monkeypatch):
    class Clock:
        now = 1000.0

    clock = Clock()
    monkeypatch.setattr(activation.time, "monotonic", lambda: clock.now)
    return Scene(clock)


def test_holders_are_configured_at_once_but_not_released_without_the_operator(scene):
    scene.configured()
    for _ in range(100):
        scene.look()
    assert scene.asked("/plant") == [CONFIGURE]
    assert scene.releases == 0
    assert not scene.activation.complete
    assert scene.activation.reason == "waiting for release: /plant, /wren/thruster_driver"


def test_released_holders_are_activated_one_by_one_as_they_say_so(scene):
    scene.configured()
    scene.activation.release()
    scene.look(1.0)
    assert scene.releases == 1
    scene.say("/plant", stopped=False, active=False)
    assert scene.asked("/plant") == [CONFIGURE, ACTIVATE]
    assert scene.asked("/wren/thruster_driver") == [CONFIGURE]
    scene.answer("/plant")
    assert not scene.activation.complete
    scene.say("/wren/thruster_driver", stopped=False, active=False)
    scene.answer("/wren/thruster_driver")
    assert scene.activation.complete
    assert scene.activation.reason == ""


def test_a_release_that_nobody_heard_is_given_again(scene):
    scene.configured()
    scene.activation.release()
    for _ in range(5):
        scene.look(1.0)
    assert scene.releases == 5


def test_who_says_that_it_is_active_is_so_even_if_the_answer_was_lost(scene):
    scene.released()
    for one in HOLDERS:
        scene.say(one, stopped=False, active=True)
    assert scene.activation.complete


def test_an_unanswered_transition_is_asked_for_again_and_failing_to_configure_means_it_is_done(scene):
    scene.look()
    scene.look(activation.PATIENCE + 0.1)
    assert scene.asked("/plant") == [CONFIGURE, CONFIGURE]
    scene.answer("/plant", success=False)
    scene.look(activation.PATIENCE + 0.1)
    assert scene.asked("/plant") == [CONFIGURE, CONFIGURE]


def test_a_holder_that_refuses_to_be_activated_is_not_active(scene):
    scene.released()
    for one in HOLDERS:
        scene.answer(one, success=False)
    assert not scene.activation.complete
    assert "not active" in scene.activation.reason


def test_after_a_stop_nothing_is_released_or_activated_until_the_operator_says_so(scene):
    scene.active()
    before = scene.releases, scene.asked("/plant")
    scene.say("/plant", stopped=True, active=False)
    for _ in range(50):
        scene.look(1.0)
        scene.say("/wren/thruster_driver", stopped=True, active=False)
    assert not scene.activation.complete
    assert (scene.releases, scene.asked("/plant")) == before
    scene.activation.release()
    scene.look(1.0)
    assert scene.releases == before[0] + 1
    for one in HOLDERS:
        scene.say(one, stopped=False, active=False)
    assert scene.asked("/plant") == [*before[1], ACTIVATE]


def test_a_stop_while_holders_are_being_released_takes_the_word_back(scene):
    scene.configured()
    scene.activation.release()
    scene.activation.stop()
    for _ in range(10):
        scene.look(1.0)
    assert scene.releases == 0


def test_a_holder_that_was_not_released_yet_does_not_take_the_word_back_by_saying_so(scene):
    scene.configured()
    scene.activation.release()
    for one in HOLDERS:
        scene.say(one, stopped=True, active=False)
    given = scene.releases
    scene.look(1.0)
    assert scene.releases == given + 1


def test_a_late_answer_to_an_activation_before_the_stop_does_not_count(scene):
    scene.released()
    scene.activation.stop()
    for one in HOLDERS:
        scene.answer(one)
    assert not scene.activation.complete


def test_a_launched_session_waits_until_the_recorder_hears_everything(scene):
    launched = Scene(scene.clock, launched=True)
    launched.active()
    assert not launched.activation.complete
    launched.say(RECORDER, unheard="/wren/truth")
    assert launched.activation.reason == "the recorder does not hear /wren/truth yet"
    launched.say(RECORDER, unheard="")
    assert launched.activation.complete


def test_what_others_say_on_diagnostics_is_passed_over(scene):
    scene.configured()
    scene.say("/some/camera", temperature=40)
    scene.say("/some/valve", stopped=False, active=True)
    assert "waiting for release" in scene.activation.reason


def test_the_word_is_passed_on_with_the_time_at_which_it_was_given(scene):
    """So that a holder that is stopped after it stays stopped, however often the word is passed on."""
    scene.configured()
    scene.activation.release()
    for _ in range(3):
        scene.look(1.0)
    stamps = {(header.stamp.sec, header.stamp.nanosec) for header in scene.contract.sent("/release")}
    assert scene.releases >= 2
    assert len(stamps) == 1


def test_nobody_is_released_before_all_are_configured(scene):
    assert not scene.activation.release()
    scene.look(1.0)
    assert scene.releases == 0


def test_a_holder_whose_service_is_never_seen_is_asked_all_the_same(scene):
    """It may be there, though the middleware denies it; if not, nothing is lost."""
    scene.node.clients["/plant/change_state"].ready = False
    scene.look()
    assert (scene.asked("/plant"), scene.asked("/wren/thruster_driver")) == ([], [CONFIGURE])
    scene.look(activation.PATIENCE)
    assert scene.asked("/plant") == []
    scene.look(activation.UNSEEN)
    assert scene.asked("/plant") == [CONFIGURE]
    scene.look(activation.PATIENCE)
    assert scene.asked("/plant") == [CONFIGURE]
    scene.answer("/plant")
    assert scene.activation.reason.startswith("not configured: /wren")
