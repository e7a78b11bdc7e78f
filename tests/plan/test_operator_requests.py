"""What the operator may ask of a session, and when."""

import pytest

from testbed.plan.observation import Request
from testbed.plan.results import Verdict
from testbed.plan.sequence import HOLD_EXPIRY, Sequence
from tests.plan.world import START, World, configuration


@pytest.fixture
def world() -> World:
    """The demo, in its first run."""
    world = World(Sequence(configuration("demo")))
    world.step(START)
    world.until("running")
    return world


def last(world: World, kind: str):
    return [event for event in world.events if event.kind == kind][-1]


def verdicts(world: World, run: int = 0) -> list[Verdict]:
    return [one.verdict for one in world.sequence.results[run].tries]


def test_a_hold_brakes_everyone_under_control_and_tells_where_they_come_to_rest(world):
    commands = world.step(Request("hold", "a visitor"))
    assert commands.state.phase == "held"
    assert commands.state.permit
    assert {one.kind for one in commands.maneuvers.values()} == {"hold"}
    assert {one.position for one in commands.maneuvers.values()} == {None}
    assert set(last(world, "hold").data["ends"]) == {"wren", "siskin", "dunlin"}
    assert "braking under control" in commands.state.decision


def test_after_a_hold_the_run_is_tried_again_without_using_up_a_try(world):
    world.step(Request("hold"))
    for _ in range(50):
        assert world.step().state.phase == "held"
    world.step(Request("release"))
    world.until("running")
    assert verdicts(world) == [Verdict.HELD]
    assert world.states[-1].attempt == 2
    world.to_the_end()
    assert world.sequence.passed


def test_a_release_right_after_a_hold_waits_until_the_try_is_judged(world):
    world.step(Request("hold"), Request("release"))
    world.step()
    world.to_the_end()
    assert verdicts(world) == [Verdict.HELD, Verdict.PASSED]


def test_a_hold_that_nobody_releases_ends_the_session(world):
    world.step(Request("hold"))
    for _ in range(5):
        world.step()
    world.stamp += round(HOLD_EXPIRY * 1e9)
    world.step()
    assert world.sequence.finished
    assert not world.sequence.passed


def test_a_skipped_run_has_not_passed_and_the_next_one_begins(world):
    world.step(Request("skip"))
    world.until("running")
    assert world.states[-1].run == "line"
    assert world.sequence.results[0].skipped
    assert verdicts(world) == [Verdict.ENDED]
    world.to_the_end()
    assert not world.sequence.passed


def test_a_repeat_begins_the_same_run_again(world):
    world.step(Request("repeat"))
    world.until("running")
    assert (world.states[-1].run, world.states[-1].attempt) == ("hold-station", 2)
    world.to_the_end()
    assert verdicts(world) == [Verdict.ENDED, Verdict.PASSED]


def test_a_run_that_passed_can_be_repeated_before_the_next_one(world):
    world.until("evaluating")
    world.step(Request("repeat"))
    world.until("running")
    assert (world.states[-1].run, world.states[-1].attempt) == ("hold-station", 2)


def test_an_ended_session_brakes_and_finishes(world):
    commands = world.step(Request("end"))
    assert {one.kind for one in commands.maneuvers.values()} == {"hold"}
    world.to_the_end()
    assert world.states[-1].phase == "finished"
    assert verdicts(world) == [Verdict.ENDED]
    assert not world.sequence.passed


def test_an_end_before_the_start_finishes_at_once():
    world = World(Sequence(configuration("demo")))
    assert world.step(Request("end")).state.phase == "finished"


def test_a_try_is_void_only_with_a_reason_and_a_name(world):
    world.step(Request("void", "somebody bumped the table"))
    assert last(world, "refused").data["request"] == "void"
    assert world.states[-1].phase == "running"


def test_a_void_try_is_kept_and_the_run_tried_again(world):
    world.step(Request("void", "somebody bumped the table", "Ada"))
    world.until("running")
    assert world.states[-1].run == "hold-station"
    world.to_the_end()
    void, passed = world.sequence.results[0].tries
    assert void.verdict is Verdict.VOID
    assert void.reason == "declared void by Ada: somebody bumped the table"
    assert void.criteria, "a void try is still measured"
    assert passed.verdict is Verdict.PASSED
    assert world.sequence.results[0].counted == 1


def test_a_try_that_was_judged_can_still_be_declared_void(world):
    world.until("evaluating")
    while not world.sequence.results[0].tries:
        world.step()
    assert verdicts(world) == [Verdict.PASSED]
    world.step(Request("void", "wrong vehicle", "Ada"))
    assert verdicts(world) == [Verdict.VOID]
    event = last(world, "void")
    assert (event.data["run"], event.data["attempt"]) == ("hold-station", 1)
    world.to_the_end()
    assert not world.sequence.passed, "the run has no other try"


def test_a_try_waiting_to_be_judged_can_be_declared_void(world):
    world.until("evaluating")
    world.step(Request("void", "wrong vehicle", "Ada"))
    world.until("running")
    assert verdicts(world) == [Verdict.VOID]
    assert world.states[-1].run == "hold-station"


def test_there_is_nothing_to_declare_void_before_the_first_try():
    world = World(Sequence(configuration("demo")))
    world.step(Request("void", "bad air", "Ada"))
    assert last(world, "refused").data["reason"] == "no try has been made yet"


def test_a_remark_is_kept_and_changes_nothing(world):
    before = world.states[-1]
    state = world.step(Request("note", "lights off", "Ada")).state
    assert last(world, "remark").data == {"text": "lights off", "name": "Ada"}
    assert (state.phase, state.run, state.attempt) == (before.phase, before.run, before.attempt)


@pytest.mark.parametrize("kind", ["skip", "repeat", "hold", "release"])
def test_what_makes_no_sense_before_the_start_is_refused(kind):
    world = World(Sequence(configuration("demo")))
    state = world.step(Request(kind)).state
    assert state.phase == "waiting"
    assert last(world, "refused").data["request"] == kind


@pytest.mark.parametrize("kind", ["start", "end", "skip", "repeat", "hold", "release"])
def test_after_a_stop_nothing_is_obeyed(world, kind):
    world.step(Request("stop"))
    state = world.step(Request(kind)).state
    assert state.phase == "stopped"
    assert not state.permit


def test_a_stop_is_obeyed_in_every_phase():
    for phase in ("waiting", "positioning", "settling", "running", "evaluating", "held", "finished"):
        world = World(Sequence(configuration("first-float")))
        if phase != "waiting":
            world.step(START)
        if phase == "held":
            world.until("running")
            world.step(Request("hold"))
        elif phase != "waiting" and world.states[-1].phase != phase:
            world.until(phase)
        state = world.step(Request("stop")).state
        assert (state.phase, state.permit) == ("stopped", False), phase
