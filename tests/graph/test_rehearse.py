"""`testbed rehearse` on the live graph: what it leaves, how it ends, and that nothing stays behind."""

import json
import os
import signal
import time

import pytest

from tests.graph.session import PLANS, Session, all_closed_at_the_end, left_behind, open_after


def summary(session):
    return json.loads((session.results / "summary.json").read_text())


def test_a_plan_on_wall_time_passes_and_leaves_recording_summary_and_report(tmp_path):
    with Session("two", tmp_path / "results") as session:
        session.until_running()
        shared_memory = session.shared_memory()
        assert session.end() == 0, session.output + session.logs()
        session.until_gone(0.0)
        recording = session.recording()
    assert not left_behind(shared_memory)
    assert not recording.cut
    assert summary(session)["passed"]
    assert summary(session)["disagreements"] == []
    assert summary(session)["valves_at_end"] == {"wren": "closed", "siskin": "closed"}
    assert "</html>" in (session.results / "report.html").read_text()
    assert not [
        line for line in session.logs().splitlines() if "ERROR" in line or "FATAL" in line or "Traceback" in line
    ]
    for name, one in recording.vehicles.items():
        assert len(one.truth) > 200, name


def test_a_plan_whose_criterion_is_not_met_ends_with_exit_code_1(tmp_path):
    with Session("failing", tmp_path / "results", "--speed", "0") as session:
        assert session.end() == 1, session.output + session.logs()
        session.until_gone(0.0)
        assert session.recording().configuration.plan.name == "failing"
    found = summary(session)
    assert found["ended"]["how"] == "finished"
    assert found["runs"][0]["verdict"] == "failed"
    assert found["valves_at_end"] == {"wren": "closed"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("name: broken\n", "allowed"),
        (None, "no-such-plan"),
        ("one", "vehicles"),
    ],
    ids=["an incomplete plan", "no plan", "a plan that names an unknown vehicle file"],
)
def test_bad_input_ends_with_exit_code_2_before_any_process_starts(tmp_path, content, said):
    plan = tmp_path / "no-such-plan.yaml"
    if content == "one":
        content = (PLANS / "one.yaml").read_text().replace("vehicles/wren.yaml", "vehicles/nobody.yaml")
    if content is not None:
        plan.write_text(content)
    with Session(str(plan), tmp_path / "results") as session:
        assert session.end() == 2
    assert said in session.output
    assert "Traceback" not in session.output
    assert not (tmp_path / "results").exists()


def test_results_are_never_written_over(tmp_path):
    results = tmp_path / "results"
    results.mkdir()
    (results / "mine.txt").write_text("kept")
    with Session("one", results) as session:
        assert session.end() == 2
    assert [file.name for file in results.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize(
    "number",
    [
        pytest.param(signal.SIGINT, id="Ctrl-C"),
        pytest.param(signal.SIGTERM, id="SIGTERM", marks=pytest.mark.prove),
    ],
)
def test_an_interrupted_session_closes_its_valves_and_ends_with_exit_code_130(tmp_path, number):
    with Session("long", tmp_path / "results") as session:
        session.until_firing()
        at = time.time_ns()
        session.process.send_signal(number)
        assert session.end() == 130, session.output + session.logs()
        session.until_gone(0.0)
        recording = session.recording()
    assert not recording.cut
    assert all_closed_at_the_end(recording)
    assert open_after(recording, at)["wren"] < 0.5
    assert summary(session)["ended"]["how"] == "interrupted"
    assert summary(session)["valves_at_end"] == {"wren": "closed"}


def test_interrupted_while_it_starts_it_ends_the_same_way(tmp_path):
    with Session("long", tmp_path / "results") as session:
        assert session.domain > 0
        session.process.send_signal(signal.SIGINT)
        assert session.end() == 130, session.output + session.logs()
        session.until_gone(0.0)


def test_two_rehearsals_side_by_side_pass_and_do_not_hear_each_other(tmp_path):
    first = Session("one", tmp_path / "first", "--speed", "0")
    second = Session("two", tmp_path / "second", "--speed", "0")
    with first, second:
        assert first.domain != second.domain
        assert first.end() == 0, first.output + first.logs()
        assert second.end() == 0, second.output + second.logs()
        assert list(first.recording().vehicles) == ["wren"]
        assert list(second.recording().vehicles) == ["wren", "siskin"]
        assert not any("siskin" in topic for topic in first.recording().counts)


def test_one_process_per_node_flies_the_same(tmp_path):
    with Session("one", tmp_path / "nodes", "--speed", "0", "--processes", "node") as session:
        session.until_running()
        assert set(session.pids()) == {
            "recorder",
            "plant",
            "conductor",
            "wren-estimator",
            "wren-guidance",
            "wren-thruster_driver",
        }
        assert session.end() == 0, session.output + session.logs()
    assert summary(session)["passed"]


def test_the_terminal_s_ctrl_c_reaches_only_the_command(tmp_path):
    """Each node has a session of its own, so that they are ended in order and not all at once by the terminal."""
    with Session("long", tmp_path / "results") as session:
        session.until_running()
        assert all(os.getsid(pid) == pid for pid in session.pids().values())
