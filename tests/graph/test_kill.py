"""Whichever process is killed: valves close, the message names it, the recording can be read, nothing is left."""

import json
import signal
import time

import pytest

from testbed.report.summary import summarise
from tests.graph.session import Session, all_closed_at_the_end, left_behind, open_after

LOCKSTEP_SPEED = 2
WAYS = {"live": ("--speed", "1"), "lockstep": ("--speed", str(LOCKSTEP_SPEED))}
CLOSED_WITHIN = 0.5
"""Wall time after which no valve may be open any more, s (the plant's own watchdog; everything else is faster)."""


def kill(session, name):
    at = time.time_ns()
    session.send(name, signal.SIGKILL)
    return at


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    "victim", ["plant", "wren", "conductor", "wren-estimator", "wren-guidance", "wren-thruster_driver"]
)
def test_killing_a_process_closes_every_valve_and_says_who_died(tmp_path, way, victim):
    layout = ("--processes", "node") if "-" in victim else ()
    with Session("long", tmp_path / "results", *WAYS[way], *layout) as session:
        session.until_firing()
        shared_memory = session.shared_memory()
        killed_at = kill(session, victim)
        assert session.end() == 1
        session.until_gone()
        assert not left_behind(shared_memory)
        assert f"{victim} died (killed by SIGKILL)" in session.output
        recording, summary = session.recording(), json.loads((session.results / "summary.json").read_text())
    assert not recording.cut
    assert summary["ended"]["how"] == "process died"
    assert summary["ended"]["processes_died"] == [{"process": victim, "how": "killed by SIGKILL"}]
    after = open_after(recording, killed_at)["wren"]
    if victim == "plant":
        assert summary["valves_at_end"] == {"wren": "unknown"}, "who holds the valves is gone"
    else:
        assert summary["valves_at_end"] == {"wren": "closed"}
        assert all_closed_at_the_end(recording)
        if way == "lockstep":
            (died,) = [event.stamp for event in recording.events if event.kind == "process_died"]
            after = open_after(recording, died)["wren"] / LOCKSTEP_SPEED
        assert after < CLOSED_WITHIN
    assert (session.results / "report.html").exists()


@pytest.mark.parametrize("way", WAYS)
def test_killing_the_recorder_ends_the_session_and_keeps_what_was_recorded(tmp_path, way):
    with Session("long", tmp_path / "results", *WAYS[way]) as session:
        session.until_firing()
        shared_memory = session.shared_memory()
        kill(session, "recorder")
        assert session.end() == 1
        session.until_gone()
        assert not left_behind(shared_memory)
        assert "recorder died (killed by SIGKILL)" in session.output
        recording, summary = session.recording(), json.loads((session.results / "summary.json").read_text())
    assert len(recording.vehicles["wren"].truth) >= 40
    assert summary["valves_at_end"] == {"wren": "unknown"}, "nobody has seen how it ended"


@pytest.mark.parametrize("way", WAYS)
def test_killing_the_launcher_stops_everything_that_it_started(tmp_path, way):
    with Session("long", tmp_path / "results", *WAYS[way]) as session:
        session.until_firing()
        shared_memory = session.shared_memory()
        killed_at = time.time_ns()
        session.process.kill()
        session.until_gone()
        assert not left_behind(shared_memory)
        recording, summary = session.recording(), summarise(session.results)
    assert all_closed_at_the_end(recording)
    if way == "live":
        assert open_after(recording, killed_at)["wren"] < CLOSED_WITHIN
    assert summary["exit_code"] == 1
