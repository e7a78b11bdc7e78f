"""What holds for the run sequence whatever is observed and whatever the operator asks for."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.description.maneuver import Phase
from testbed.plan.commands import PERMITTED
from testbed.plan.observation import Request
from testbed.plan.sequence import BRAKING_LIMIT, HOLD_EXPIRY, POSITIONING_LIMIT, READINESS_LIMIT, Sequence
from tests.plan.world import START, World, configuration, contact, odometry

LAB = configuration("demo")
SHORT = replace(LAB, plan=LAB.plan.model_copy(update={"runs": LAB.plan.runs[:2], "objectives": ()}))

KINDS = ("end", "skip", "repeat", "hold", "release", "stop", "void", "note", "start")
happening = st.fixed_dictionaries(
    {
        "steps": st.integers(1, 80),
        "request": st.one_of(st.none(), st.sampled_from(KINDS)),
        "fix": st.booleans(),
        "offset": st.sampled_from([0.0, 0.0, 0.04, 0.4, 2.0, np.nan]),
        "speed": st.sampled_from([0.0, 0.0, 0.05, 1.0]),
        "truth": st.booleans(),
        "ready": st.booleans(),
        "force": st.sampled_from([None, None, 5.0, 50.0]),
        "phase": st.sampled_from([Phase.IDLE, Phase.MOVING, Phase.HOLDING]),
    }
)


def live(world: World, what: dict) -> None:
    """Let something happen for a while."""
    for index in range(what["steps"]):
        name = what["request"]
        requests = (Request(name, "why", "who"),) if name and not index else ()
        seen = world.observe(*requests, ready=what["ready"])
        latest = {}
        for vehicle, (position, orientation) in world.poses.items():
            place = np.add(position, (what["offset"], 0.0, 0.0))
            record = odometry(world.stamp, place, orientation, 1e-6 if what["fix"] else 1e6)[0]
            record["linear_velocity"][0] = what["speed"]
            latest[vehicle] = record
        for status in seen.status.values():
            status["phase"] = what["phase"]
        contacts = () if what["force"] is None else (contact(world.stamp, what["force"]),)
        truth = seen.truth if what["truth"] else {}
        world.apply(world.sequence.step(replace(seen, odometry=latest, truth=truth, contacts=contacts)))
        if world.sequence.finished:
            return


def tries_open_at_once(world: World) -> int:
    """The most tries that were ever running at once, by their events."""
    running, most = 0, 0
    for event in world.events:
        if event.kind == "try_started":
            running += 1
        elif event.kind == "verdict" and running:
            running -= 1
        most = max(most, running)
    return most


@settings(max_examples=30, deadline=None)
@given(st.lists(happening, max_size=12))
def test_whatever_happens(happenings):
    world = World(Sequence(SHORT))
    world.step(START)
    for what in happenings:
        live(world, what)

    # never two tries at once, and none without its result
    assert tries_open_at_once(world) <= 1
    for result in world.sequence.results:
        assert [one.attempt for one in result.tries] == list(range(1, len(result.tries) + 1))
        assert all(one.start <= one.end for one in result.tries)

    # the permission follows the phase; there is none while a vehicle is being put in place, and none after a stop
    stopped, carried, places = False, True, dict.fromkeys(SHORT.vehicles, 0)
    for state in world.states:
        carried = (carried or state.places != places) and state.phase != "settling"
        places = state.places
        assert state.permit == (state.phase in PERMITTED and not carried)
        stopped = stopped or state.phase == "stopped"
        assert not (stopped and state.permit)

    # numbers grow one by one, and the state names the newest
    for vehicle in SHORT.vehicles:
        numbers = [
            event.data["maneuver"]["number"]
            for event in world.events
            if event.kind == "maneuver_given" and event.data["vehicle"] == vehicle
        ]
        assert numbers == list(range(1, len(numbers) + 1))
        assert world.states[-1].maneuvers[vehicle] == len(numbers)

    # every message can be read back
    for state in world.states[-3:]:
        assert type(state).from_json(state.to_json()) == state
    for event in world.events[-3:]:
        assert type(event).from_json(event.to_json()).kind == event.kind


@settings(max_examples=10, deadline=None)
@given(happening)
def test_a_session_ends_even_when_the_same_goes_on_for_ever(what):
    """Nobody helps: the world stays as it is, and time passes in larger steps."""
    world = World(Sequence(SHORT))
    world.step(START)
    tries = sum(run.tries for run in SHORT.plan.runs)
    longest_try = 2 * POSITIONING_LIMIT + BRAKING_LIMIT + max(run.time_limit + run.settle for run in SHORT.plan.runs)
    bound = world.stamp + (READINESS_LIMIT + HOLD_EXPIRY + (tries + 2) * (longest_try + 10.0)) * 1e9
    held = {**what, "steps": 1, "request": None}
    live(world, {**what, "steps": 1})
    while not world.sequence.finished and world.stamp < bound:
        live(world, held)
        world.stamp += 900_000_000
    assert world.sequence.finished


@pytest.mark.parametrize("kind", ["void", "hold", "repeat"])
def test_what_does_not_use_up_a_try_is_up_to_the_operator_alone(kind):
    """A run goes on as long as the operator wants, and ends by itself as soon as nothing more is asked."""
    world = World(Sequence(SHORT))
    world.step(START)
    for _ in range(5):
        world.until("running")
        world.step(Request(kind, "why", "who"), Request("release"))
    world.to_the_end()
    assert len(world.sequence.results[0].tries) == 6
    assert world.sequence.passed
