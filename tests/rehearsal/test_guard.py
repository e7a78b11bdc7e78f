"""When all is well the guard never interferes; when it does, the recording and the report say so."""

import json
from dataclasses import replace

import pytest

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.plan.schema import SessionLimits
from testbed.record.load import load
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine
from testbed.report.page import make_report
from testbed.report.summary import summarise


@pytest.mark.parametrize("plan", ["first-float", "cabin-float", "faults", "demo"])
def test_the_guard_never_interferes_where_all_is_well(plan):
    rehearsal = LockstepRehearsal(load_configuration(locate(f"plans/{plan}.yaml")))
    while not rehearsal.sequence.finished:
        rehearsal.step()
        assert not rehearsal.guard_events, [event.data for event in rehearsal.guard_events]
        assert not any(state["guard"]["now"].any() for state in rehearsal.flight.driver_state)


def test_what_it_does_is_an_event_in_recording_summary_and_report(tmp_path):
    """A speed limit so close to the move's own speed that the doubt about it makes the guard act."""
    configuration = load_configuration(locate("plans/first-float.yaml"))
    limits = SessionLimits(speed=0.0601)
    configuration = replace(configuration, plan=configuration.plan.model_copy(update={"limits": limits}))
    rehearse_in_engine(configuration, tmp_path / "recording")
    told = [event for event in load(tmp_path / "recording").events if event.kind == "guard"]
    assert {(one.data["vehicle"], one.data["limit"], one.data["done"]) for one in told} == {
        ("wren", "speed", "trimmed")
    }
    assert (told[0].run, told[0].attempt, told[0].data["over"]) == ("first-float", 1, False)
    assert any(one.data["over"] and one.data["lasted"] >= 0.0 for one in told)
    assert all(len(one.data["asked"]) == 6 for one in told)
    summarise(tmp_path)
    listed = json.loads((tmp_path / "summary.json").read_text())["guard"]
    assert [(one["limit"], one["over"]) for one in listed] == [(one.data["limit"], one.data["over"]) for one in told]
    page = make_report(tmp_path).read_text()
    assert "What safety filter and guard did" in page
    assert "the guard of wren took out what offends: the speed limit" in page
