"""Vehicles that are told to fly at each other do not, and the session says so."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testbed.description.messages import LOCKSTEP_START_NS, NS_PER_S
from testbed.plan.configuration import load_configuration
from testbed.plan.maneuvers import Hold, Translate
from testbed.plan.schema import SeparationLimit, SessionLimits
from testbed.record.load import load
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine
from testbed.report.page import make_report
from testbed.report.summary import summarise
from tests.drawn.engine_encounters import fly_engine

TWO = Path("tests/graph/plans/two.yaml")
MINIMUM = 0.52


def at_each_other(guaranteed=True):
    """A plan that every check refuses: both change places along the same line, 1 m apart, at full speed."""
    configuration = load_configuration(TWO)
    limits = SessionLimits(separation=SeparationLimit(guaranteed=guaranteed))
    ways = {
        "wren": (Translate(kind="translate", x=-0.5, y=0.1), Hold(kind="hold", duration=5.0)),
        "siskin": (Translate(kind="translate", x=0.5, y=-0.1), Hold(kind="hold", duration=5.0)),
    }
    start = {
        name: pose.model_copy(update={"x": 1.4 * pose.x}) for name, pose in configuration.plan.runs[0].start.items()
    }
    run = configuration.plan.runs[0].model_copy(update={"maneuvers": ways, "time_limit": 45.0, "start": start})
    return replace(configuration, plan=configuration.plan.model_copy(update={"limits": limits, "runs": (run,)}))


def least_separation(rehearsal):
    """Over a whole session, of the true places, centre to centre."""
    least = np.inf
    while not rehearsal.sequence.finished:
        rehearsal.step()
        first, second = (truth["position"][:2] for truth in rehearsal.wires.truth)
        least = min(least, float(np.linalg.norm(first - second)))
    return least


def test_without_a_filter_they_come_too_near():
    assert least_separation(LockstepRehearsal(at_each_other(guaranteed=False))) < MINIMUM


def test_with_it_they_stay_apart_and_the_session_tells_it(tmp_path):
    rehearse_in_engine(at_each_other(), tmp_path / "recording")
    recording = load(tmp_path / "recording")
    first, second = (recording.vehicles[name].truth["position"][:, :2] for name in ("wren", "siskin"))
    assert np.linalg.norm(first - second, axis=1).min() >= MINIMUM
    told = [event for event in recording.events if event.kind == "separation"]
    assert {(one.data["vehicle"], one.data["about"]) for one in told} == {("wren", "siskin"), ("siskin", "wren")}
    assert {one.data["worry"] for one in told} == {"near"}
    assert {one.data["done"] for one in told} <= {"trimmed", "braked", "evaded"}
    assert all(one.run == "hop" and one.stamp > LOCKSTEP_START_NS + NS_PER_S for one in told)
    summarise(tmp_path)
    listed = json.loads((tmp_path / "summary.json").read_text())["separation"]
    assert [(one["vehicle"], one["worry"], one["over"]) for one in listed] == [
        (one.data["vehicle"], one.data["worry"], one.data["over"]) for one in told
    ]
    assert "the safety filter of wren" in make_report(tmp_path).read_text()


@pytest.mark.parametrize("told", [False, True])
def test_what_was_heard_is_the_newest_that_has_come_through(told):
    """With nothing lost and at most a period late: what was sent a tick of the radio ago."""
    configuration = load_configuration(TWO)
    radio = configuration.noise.radio.model_copy(update={"loss": 0.0, "jitter": 0.0})
    noise = configuration.noise.model_copy(update={"radio": radio})
    rehearsal = LockstepRehearsal(replace(configuration, noise=noise))
    period, sent = radio.period_ns, {}
    for _ in range(20):
        rehearsal.run(tell=True) if told else rehearsal.step()
        for v in range(2):
            for one in rehearsal.tape.odometry[v, : rehearsal.tape.counts[v, 1]]:
                sent[v, int(one["stamp"])] = one.copy()
        for stamp, heard in rehearsal.heard:
            assert stamp % period == 0
            for receiver, sender in ((0, 1), (1, 0)):
                before = stamp - period
                if before > LOCKSTEP_START_NS:
                    assert heard[receiver, sender] == sent[sender, before]
                    last = rehearsal.wires.partners[receiver, 0]
            assert not heard["stamp"].diagonal().any()
        assert last == rehearsal.heard[-1][1][1, 0]


@pytest.mark.parametrize(("place", "seed"), [("table", 3000), ("table", 3001), ("cabin", 3000), ("cabin", 3001)])
def test_who_has_a_valve_stuck_open_is_kept_away_from_or_it_is_said_before(place, seed):
    """In the cabin, where a whole valve can be outrun, nobody comes too near."""
    flown = fly_engine(seed, 40.0, True, "valve", place)
    assert flown.acted
    assert flown.unsaid >= 0.0
    assert flown.friends >= 0.0
    assert place == "table" or flown.least >= 0.0
