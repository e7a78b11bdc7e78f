"""The summary says what became of a session, in words a program can rely on."""

import json

import pytest

from testbed.record.load import load
from testbed.record.recover import RecordingError
from testbed.record.writer import RecordingWriter
from testbed.report import summarise
from testbed.report.ending import ending
from testbed.report.session import judge
from testbed.report.summary import summary as summary_of
from tests.report.plannings import planned, with_events


def tries(summary, run):
    return [one["verdict"] for entry in summary["runs"] if entry["name"] == run for one in entry["tries"]]


def test_a_session_that_passed_exits_with_0(sessions):
    summary = summarise(sessions("passed"))
    assert (summary["exit_code"], summary["passed"]) == (0, True)
    assert summary["ended"]["how"] == "finished"
    assert [run["verdict"] for run in summary["runs"]] == ["passed", "passed"]
    assert all(objective["met"] for objective in summary["objectives"])
    assert summary["valves_at_end"] == {"wren": "closed", "siskin": "closed"}
    assert summary["disagreements"] == []


def test_the_summary_lies_in_the_results_folder(sessions):
    folder = sessions("passed")
    content = summarise(folder)
    assert json.loads((folder / "summary.json").read_text()) == content


def test_it_names_plan_seed_versions_and_hashes(sessions):
    summary = summarise(sessions("passed"))
    assert (summary["plan"], summary["seed"]) == ("short", 3)
    assert len(summary["plan_hash"]) == 64
    assert set(summary["files"]) == {"plan", "table", "beacons", "noise", "vehicles.wren", "vehicles.siskin"}
    assert summary["versions"]["testbed"]


def test_a_second_try_that_passes_makes_up_for_the_first(sessions):
    summary = summarise(sessions("retried"))
    assert tries(summary, "hold") == ["failed", "passed"]
    assert summary["exit_code"] == 0


def test_a_run_that_never_passes_exits_with_1(sessions):
    summary = summarise(sessions("failed"))
    assert tries(summary, "move") == ["failed", "failed"]
    assert summary["exit_code"] == 1
    assert [objective["met"] for objective in summary["objectives"]] == [True, False]
    (force,) = [one for one in summary["runs"][1]["tries"][0]["criteria"] if one["name"] == "untouched"]
    assert (force["value"], force["passed"]) == (5.0, False)


@pytest.mark.parametrize(
    ("session", "how", "valves"),
    [
        ("stopped", "stopped", "closed"),
        ("interrupted", "interrupted", "closed"),
        ("plant died", "process died", "unknown"),
        ("cut", "recording cut", "unknown"),
    ],
)
def test_it_says_how_a_session_ended_and_what_is_known_of_the_valves(sessions, session, how, valves):
    summary = summarise(sessions(session))
    assert summary["exit_code"] == 1
    assert summary["ended"]["how"] == how
    assert set(summary["valves_at_end"].values()) == {valves}


def test_it_names_the_process_that_died(sessions):
    died = summarise(sessions("plant died"))["ended"]["processes_died"]
    assert died == [{"process": "plant", "how": "killed by signal 9"}]


def test_a_void_try_stays_in_the_record_with_reason_and_name(sessions):
    summary = summarise(sessions("void"))
    first, second = summary["runs"][0]["tries"]
    assert (first["verdict"], first["counted"]) == ("void", False)
    assert first["void"] == {"reason": "somebody leaned on the table", "name": "Mira"}
    assert first["criteria"]
    assert second["verdict"] == "passed"
    assert summary["remarks"] == [{"time": pytest.approx(3.0, abs=1.5), "text": "dusty", "name": "Jo"}]


def test_a_conductor_that_says_something_else_is_not_believed(sessions):
    summary = summarise(sessions("contradicted"))
    assert summary["exit_code"] == 1
    about = {one["about"] for one in summary["disagreements"]}
    assert "on station wren" in about
    assert "apart wren, siskin" in about


def test_it_tells_what_was_planned_for_formations(sessions):
    assert summarise(sessions("passed"))["formations"] == []
    recording = load(sessions("passed") / "recording")
    recording = with_events(recording, [planned(recording, 3.0, tight=True)])
    (told,) = summary_of(recording, judge(recording), ending(recording))["formations"]
    assert (told["time"], told["begin"]) == (pytest.approx(3.0), pytest.approx(3.5))
    assert (told["run"], told["try"], told["formation"], told["vehicles"]) == ("hold", 1, "wall", ["wren", "siskin"])
    assert (told["why"], told["outcome"], told["tight"]) == ("members", "together", True)
    assert (told["duration"], told["separation"]) == (31.4, 0.641)
    json.dumps(told)


def test_a_recording_without_a_configuration_cannot_be_judged(tmp_path):
    RecordingWriter(tmp_path / "recording").close()
    with pytest.raises(RecordingError, match="/plan/configuration is None"):
        summarise(tmp_path)
