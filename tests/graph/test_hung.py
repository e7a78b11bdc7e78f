"""A process that hangs without dying is found out: in lockstep by the plant, a conductor by the launcher."""

import json
import signal
import time

import pytest

from tests.graph.session import Session, all_closed_at_the_end, open_after

pytestmark = pytest.mark.prove


def freeze(session, name):
    session.send(name, signal.SIGSTOP)


def summary(session):
    return json.loads((session.results / "summary.json").read_text())


def test_in_lockstep_the_plant_names_who_does_not_answer_and_stops(tmp_path):
    with Session("long", tmp_path / "results", "--speed", "2") as session:
        session.until_firing()
        freeze(session, "wren")
        assert session.end() == 1
        session.until_gone()
        recording = session.recording()
        assert "unanswered by" in session.logs()
        assert "/wren/estimator" in session.logs()
    assert all_closed_at_the_end(recording)
    assert recording.stops
    assert summary(session)["valves_at_end"] == {"wren": "closed"}


@pytest.mark.parametrize("speed", ["1", "2"], ids=["live", "lockstep"])
def test_a_conductor_that_falls_silent_ends_the_session(tmp_path, speed):
    with Session("long", tmp_path / "results", "--speed", speed) as session:
        session.until_firing()
        freeze(session, "conductor")
        assert session.end() == 1
        session.until_gone()
        assert "the conductor fell silent" in session.output
        recording = session.recording()
    assert all_closed_at_the_end(recording)
    assert summary(session)["ended"]["how"] == "no answer"


def test_on_wall_time_valves_close_where_a_vehicle_hangs_and_the_try_is_aborted(tmp_path):
    """Its schedules dry up: the plant's deadman closes the valves long before the plan's abort criterion notices."""
    with Session("long", tmp_path / "results") as session:
        session.until_firing()
        at = time.time_ns()
        freeze(session, "wren")
        assert session.end() == 1
        recording = session.recording()
    assert open_after(recording, at)["wren"] < 0.5
    assert any(event.kind == "abort" and "no fix" in event.data["reason"] for event in recording.events)


@pytest.mark.parametrize("repeat", range(5))
@pytest.mark.parametrize("victim", ["plant", "wren", "conductor"])
def test_killing_at_any_moment_ends_in_order(tmp_path, victim, repeat):
    """From before the first tick on, half a second apart."""
    with Session("one", tmp_path / "results") as session:
        while victim not in session.pids():
            assert session.process.poll() is None
        signal.sigtimedwait([], 0.4 * repeat)
        session.send(victim, signal.SIGKILL)
        assert session.end() == 1
        session.until_gone()
        assert f"{victim} died (killed by SIGKILL)" in session.output
