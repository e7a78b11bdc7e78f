"""Judging a recording again comes to what the conductor came to."""

import dataclasses

import pytest

from testbed.plan.criteria import CriterionResult
from testbed.plan.results import Verdict
from testbed.record.load import load
from testbed.report.comparison import compare
from testbed.report.session import judge


def result(name="on station", vehicle="wren", value=0.01, passed=True):
    return CriterionResult(name, "position_error", vehicle, value, 0.03, "m", passed, 5, "")


@pytest.mark.parametrize("session", ["passed", "retried", "failed"])
def test_conductor_and_recording_agree_to_the_last_digit(sessions, session):
    recording = load(sessions(session) / "recording")
    told = [event.data for event in recording.events if event.kind == "criterion"]
    found = [one for run in judge(recording).runs for single in run.tries for one in single.criteria]
    assert len(told) == len(found)
    for said, one in zip(told, found, strict=True):
        assert (said["name"], said["vehicle"], said["passed"]) == (one.name, one.vehicle, one.passed)
        assert said["value"] == pytest.approx(one.value, abs=1e-12)


def test_same_results_agree():
    assert compare([result()], [result()], Verdict.PASSED) == ()


@pytest.mark.parametrize(
    "told",
    [
        [result(value=0.02)],
        [result(passed=False)],
        [result(value=None)],
        [],
        [result(), result(name="another")],
    ],
    ids=["another value", "not passed", "not measured", "nothing", "one too many"],
)
def test_every_difference_is_found(told):
    assert len(compare([result()], told, Verdict.PASSED)) == 1


def test_a_pass_that_the_criteria_do_not_bear_out_is_found():
    (found,) = compare([result(passed=False)], [result(passed=False)], Verdict.PASSED)
    assert (found.about, found.recording) == ("verdict", "not met: on station")


def test_a_try_that_ran_into_its_time_limit_may_have_met_its_criteria():
    assert compare([result()], [result()], Verdict.FAILED) == ()


def test_a_pass_does_not_count_where_the_recording_says_otherwise(sessions):
    session = judge(load(sessions("passed") / "recording"))
    one = session.runs[0].tries[0]
    assert one.passed
    missed = dataclasses.replace(one.criteria[0], passed=False)
    assert not dataclasses.replace(one, criteria=(missed, *one.criteria[1:])).passed
