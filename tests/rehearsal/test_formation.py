"""Formations flown by the engine, in the emulated plant, as a plan asks for them."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testbed.description.faults import ValveWeak
from testbed.description.messages import NS_PER_S
from testbed.flight.formation import Frame
from testbed.plan.configuration import load_configuration
from testbed.plan.formations import formation_tasks
from testbed.plan.results import Verdict
from testbed.rehearsal.lockstep import LockstepRehearsal
from testbed.rehearsal.wiring import TRUTH

PLAN = Path(__file__).parent / "plans" / "formations.yaml"


def session(name, guaranteed=True, **changes):
    """The run of that name alone, changed."""
    configuration = load_configuration(PLAN)
    plan = configuration.plan
    run = next(run for run in plan.runs if run.name == name).model_copy(update=changes)
    separation = plan.limits.separation.model_copy(update={"guaranteed": guaranteed})
    limits = plan.limits.model_copy(update={"separation": separation})
    return replace(configuration, plan=plan.model_copy(update={"runs": (run,), "limits": limits}))


class Flown:
    """A session flown to its end: result, events of kind formation, stamps (K,) and true positions (V, K, 3) m."""

    def __init__(self, configuration):
        self.configuration = configuration
        rehearsal = LockstepRehearsal(configuration)
        self.names, self.events, stamps, positions = rehearsal.names, [], [], []
        while not rehearsal.sequence.finished:
            rehearsal.run()
            self.events += [event.data for event in rehearsal.formation.events]
            seen = rehearsal.tape.seen[:, : rehearsal.tape.counts[0, TRUTH]]
            stamps.append(seen["stamp"][0].copy())
            positions.append(seen["position"].copy())
        self.stamps, self.positions = np.concatenate(stamps), np.concatenate(positions, axis=1)
        (self.result,) = rehearsal.sequence.results[0].tries

    def during(self, first, last):
        """Positions from `first` to `last` s after the try began, and these times."""
        times = (self.stamps - self.result.start) / NS_PER_S
        chosen = (times >= first) & (times <= last)
        return times[chosen], self.positions[:, chosen]


@pytest.mark.parametrize("guaranteed", [True, False], ids=["with safety filter", "without"])
def test_three_change_places_across_the_middle(guaranteed):
    flown = Flown(session("crossing", guaranteed))
    assert flown.result.verdict is Verdict.PASSED, flown.result.reason
    assert flown.events[0]["outcome"] == "together"
    assert flown.events[0]["vehicles"] == ["wren", "siskin", "dunlin"]


def test_a_frame_that_moves_and_turns_is_kept_to_within_a_few_centimetres():
    flown = Flown(session("turning"))
    assert flown.result.verdict is Verdict.PASSED, flown.result.reason
    assert [event["why"] for event in flown.events] == ["members"], "planned once, and told anew in time"
    (task,) = formation_tasks(flown.configuration).values()
    times, positions = flown.during(40.0, 128.0)
    largest = 0.0
    for name, place in task.places.items():
        frame = task.frame
        begun = Frame(frame.position, frame.orientation, frame.velocity, frame.rate, 0.3)  # when the maneuver starts
        wanted = place.slot(begun).at(times)[0]
        away = (positions[flown.names.index(name)] - wanted)[:, :2]
        largest = max(largest, np.linalg.norm(away, axis=1).max())
    assert largest < 0.04


def test_who_leaves_and_comes_back_takes_its_own_place_again():
    flown = Flown(session("rejoin"))
    assert flown.result.verdict is Verdict.PASSED, flown.result.reason
    assert [event["vehicles"] for event in flown.events[:3]] == [["wren", "siskin"], ["wren"], ["wren", "siskin"]]


def test_a_leader_that_moves_is_followed():
    flown = Flown(session("leader"))
    assert flown.result.verdict is Verdict.PASSED, flown.result.reason
    assert {event["why"] for event in flown.events} >= {"members", "frame"}
    _, positions = flown.during(30.0, 70.0)
    led = positions[flown.names.index("dunlin")]
    for name, (x, y) in {"wren": (0.0, 1.1), "siskin": (-1.1, 0.0)}.items():
        away = np.linalg.norm((positions[flown.names.index(name)] - led)[:, :2] - [x, y], axis=1)
        assert away.max() < 0.10
        assert away[-500:].max() < 0.04


def test_one_that_lags_for_a_while_is_planned_for_anew_and_arrives():
    configuration = session("crossing", guaranteed=False)
    weak = tuple(
        ValveWeak(kind="valve_weak", vehicle="wren", valve=valve.name, factor=0.3, at=4.0, until=14.0)
        for valve in configuration.vehicles["wren"].thrusters.valves
    )
    flown = Flown(session("crossing", guaranteed=False, faults=weak))
    assert flown.result.verdict is Verdict.PASSED, flown.result.reason
    lags = [event for event in flown.events if event["why"] == "lag"]
    assert lags
    assert "wren" in lags[0]["lagging"]
