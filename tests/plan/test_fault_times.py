"""Faults begin and end at their times within a try, and the session tells so."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from testbed.description.faults import SHORTEST, from_words
from testbed.plan.commands import PlanState
from testbed.plan.fault_times import FaultTimes
from testbed.plan.observation import Request
from testbed.plan.results import Verdict
from testbed.plan.sequence import Sequence
from tests.plan.world import START, World, configuration, with_run

S = 1_000_000_000
STUCK, TILT = "valve_stuck_closed wren front_left_along", "table_tilt 0.2 0.0"


def a_fault(words, at=0.0, until=None):
    return from_words(words).model_copy(update={"at": at, "until": until})


def a_session(*faults, plan_wide=(), **changes):
    """The first float with faults, started."""
    session = with_run(configuration("first-float"), faults=faults, **changes)
    plan = session.plan.model_copy(update={"faults": plan_wide})
    world = World(Sequence(type(session)(**{**vars(session), "plan": plan})))
    world.step(START)
    return world


def told(world):
    """Every event about faults: kind, fault, try, s since that try began."""
    begin, found = {}, []
    for event in world.events:
        if event.kind == "try_started":
            begin[event.attempt] = event.stamp
        if event.kind.startswith("fault_"):
            time = round((event.stamp - begin[event.attempt]) / 1e9, 3)
            found.append((event.kind, event.data["fault"], event.attempt, time))
    return found


def test_a_fault_is_in_force_from_its_time_until_its_end():
    times = FaultTimes()
    times.begin([a_fault(TILT, 1.0, 2.0), a_fault(STUCK, 1.5)], 10 * S)
    force = {}
    for step in range(31):
        times.step(10 * S + step * S // 10, running=True)
        force[step] = times.in_force
    assert [force[step] for step in (0, 9, 10, 14, 15, 19, 20, 30)] == [(), (), (0,), (0,), (0, 1), (0, 1), (1,), (1,)]


@given(at=st.floats(0.0, 20.0), lasts=st.floats(SHORTEST, 5.0), start=st.integers(0, 100))
def test_no_fault_is_too_short_to_be_in_force_at_a_step(at, lasts, start):
    times = FaultTimes()
    times.begin(
        [type(from_words(TILT)).model_validate({"kind": "table_tilt", "at": at, "until": at + lasts})], start * S
    )
    told = [kind for step in range(260) for kind, _ in times.step(start * S + step * S // 10, running=True)]
    assert told == ["fault_began", "fault_over"]


def test_after_a_try_nothing_more_breaks_but_what_is_broken_stays_so():
    times = FaultTimes()
    times.begin([a_fault(STUCK, 1.0), a_fault(TILT, 2.0)], 0)
    times.step(1 * S, running=True)
    times.step(3 * S, running=False)
    assert times.in_force == (0,)
    assert [kind for kind, _ in times.end()] == ["fault_over"]
    assert times.in_force == ()
    assert times.step(4 * S, running=True) == []


def test_the_session_tells_when_each_fault_begins_and_is_over():
    world = a_session(a_fault(STUCK, 3.0), a_fault(TILT, 1.0, 2.5))
    world.to_the_end()
    assert told(world) == [
        ("fault_began", TILT, 1, 1.0),
        ("fault_over", TILT, 1, 2.5),
        ("fault_began", STUCK, 1, 3.0),
    ]


def test_the_state_of_the_session_carries_the_faults_in_force():
    world = a_session(a_fault(STUCK, 3.0), plan_wide=(a_fault(TILT, 1.0),))
    world.to_the_end()
    seen = list(dict.fromkeys(state.faults for state in world.states))
    assert seen == [(), (0,), (0, 1)]
    assert world.sequence.configuration.plan.faults_of("first-float")[0].kind == "table_tilt"
    state = world.states[-1]
    assert PlanState.from_json(state.to_json()) == state


def test_the_next_try_begins_whole_and_a_failed_one_names_what_was_broken():
    world = a_session(a_fault(STUCK, 2.0), a_fault(TILT, 1000.0))
    world.offset["wren"] = (0.05, 0.0, 0.0)
    world.to_the_end()
    assert [(kind, fault, attempt) for kind, fault, attempt, _ in told(world)] == [
        ("fault_began", STUCK, 1),
        ("fault_over", STUCK, 1),
        ("fault_began", STUCK, 2),
    ]
    for one in world.sequence.results[0].tries:
        assert one.verdict is Verdict.FAILED
        assert one.reason.endswith(f"(broken: {STUCK})")
    positioning = [state for state in world.states if state.phase in ("positioning", "settling")]
    assert {state.faults for state in positioning} == {()}


def test_faults_that_someone_sets_live_are_named_too():
    world = a_session(a_fault(STUCK, 2.0))
    world.offset["wren"] = (0.05, 0.0, 0.0)
    world.until("running")
    while not world.sequence.results[0].tries:
        world.step(live_faults=("gyro_dead wren",))
    assert world.sequence.results[0].tries[0].reason.endswith(f"(broken: gyro_dead wren, live; {STUCK})")


def test_a_try_that_passes_says_nothing_of_faults_in_its_verdict():
    world = a_session(a_fault(STUCK, 2.0))
    world.to_the_end()
    assert [one.reason for one in world.sequence.results[0].tries] == ["all criteria met"]


@pytest.mark.parametrize("word", ["hold", "stop"])
def test_what_is_broken_stays_broken_while_held_or_stopped(word):
    world = a_session(a_fault(STUCK, 1.0))
    world.until("running")
    for _ in range(20):
        world.step()
    world.step(Request(word))
    for _ in range(30):
        assert world.step().state.faults == (0,)
