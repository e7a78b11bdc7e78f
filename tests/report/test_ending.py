"""How a session ended, from its recording alone."""

import pytest

from testbed.record.load import load
from testbed.report.ending import How, ValveState, ending


@pytest.fixture
def end(sessions):
    return lambda name: ending(load(sessions(name) / "recording"))


@pytest.mark.parametrize(
    ("session", "how"),
    [
        ("passed", How.FINISHED),
        ("failed", How.FINISHED),
        ("stopped", How.STOPPED),
        ("plant died", How.PROCESS_DIED),
        ("cut", How.CUT),
        ("interrupted", How.INTERRUPTED),
    ],
)
def test_the_cause_is_found(end, session, how):
    assert end(session).how is how


def test_a_stop_tells_where_vehicles_were_predicted_to_coast_to(end):
    found = end("stopped")
    assert set(found.coast) == {"wren", "siskin"}
    assert "asked for in a test" in found.text


def test_a_lost_plant_leaves_the_valves_unknown_never_closed(end):
    found = end("plant died")
    assert found.plant_lost
    assert set(found.valves.values()) == {ValveState.UNKNOWN}


def test_another_process_that_died_does_not_make_the_valves_unknown(end):
    assert not end("interrupted").plant_lost
    assert set(end("interrupted").valves.values()) == {ValveState.CLOSED}
