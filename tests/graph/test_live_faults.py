"""Faults set through the plant's parameter while it runs: taken, told, recorded, or refused with a reason."""

import json

import pytest
from rcl_interfaces.msg import Parameter, ParameterType, ParameterValue
from rcl_interfaces.srv import SetParameters

from tests.graph.foreign import Foreign
from tests.graph.session import Session
from tests.graph.test_plant_node import Scene


def set_faults(foreign, *texts):
    """Set the parameter `faults` of the plant as `ros2 param set` does; return the result."""
    value = ParameterValue(type=ParameterType.PARAMETER_STRING_ARRAY, string_array_value=list(texts))
    request = SetParameters.Request(parameters=[Parameter(name="faults", value=value)])
    (result,) = foreign.call(SetParameters, "/plant/set_parameters", request).results
    return result


@pytest.fixture
def scene():
    one = Scene()
    one.foreign.hear("/plan/events")
    one.foreign.hear("truth", "wren")
    one.foreign.hear("ranges", "wren")
    yield one
    one.close()


def events(scene):
    told = [json.loads(one.data) for one in scene.foreign.heard["/plan/events"]]
    return [(one["kind"], one["data"]["fault"], one["data"]["live"]) for one in told if one["kind"].startswith("fault")]


def test_a_fault_set_live_is_taken_and_told_and_over_when_it_is_taken_out(scene):
    assert set_faults(scene.foreign, "infrared_lost wren", "gyro_bias wren z 2").successful
    scene.foreign.until(lambda: len(events(scene)) == 2, "both are told")
    clouds = scene.foreign.heard["/wren/ranges"]
    heard = len(clouds)
    scene.foreign.until(lambda: len(clouds) >= heard + 3, "three more cycles")
    assert [one.width for one in clouds[-1:]] == [0]
    assert set_faults(scene.foreign, "gyro_bias wren z 2").successful
    scene.foreign.until(lambda: len(events(scene)) == 3, "that it is whole is told")
    scene.foreign.until(lambda: clouds[-1].width > 0, "ranges again")
    assert set_faults(scene.foreign, "").successful
    scene.foreign.until(lambda: len(events(scene)) == 4, "the other is whole, too")
    assert events(scene) == [
        ("fault_began", "infrared_lost wren", True),
        ("fault_began", "gyro_bias wren z 2.0", True),
        ("fault_over", "infrared_lost wren", True),
        ("fault_over", "gyro_bias wren z 2.0", True),
    ]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("gyro_bias robin", "'gyro_bias robin': vehicle is 'robin', allowed: a vehicle of the plan: wren"),
        ("beacon_dead 9", "'beacon_dead 9': beacon is 9, allowed: a beacon: 0 to 5"),
        ("beacon_dead", "'beacon_dead' is too short, allowed: beacon_dead BEACON"),
    ],
)
def test_bad_words_are_refused_with_the_reason_and_change_nothing(scene, text, reason):
    assert set_faults(scene.foreign, "table_tilt 0.1").successful
    scene.foreign.until(lambda: events(scene), "the first is told")
    result = set_faults(scene.foreign, "gyro_bias wren", text)
    assert (result.successful, result.reason) == (False, reason)
    scene.foreign.spin(0.2)
    assert events(scene) == [("fault_began", "table_tilt 0.1 0.0", True)]


def test_a_try_that_fails_names_what_was_broken_live(tmp_path):
    with Session("one", tmp_path / "results", "--speed", "1") as session:
        with Foreign(session.domain) as foreign:  # there before the run, so that the fault comes before the move
            session.until_running()
            assert set_faults(foreign, "bearing_lost wren").successful
        assert session.end() == 1, session.output + session.logs()
        recording = session.recording()
    (verdict,) = [event for event in recording.events if event.kind == "verdict"]
    assert verdict.data["verdict"] == "failed"
    assert verdict.data["reason"].endswith("(broken: bearing_lost wren, live)")


def test_in_lockstep_too_and_the_recording_and_the_report_have_it(tmp_path):
    with Session("one", tmp_path / "results", "--speed", "1") as session:
        session.until_running()
        with Foreign(session.domain) as foreign:
            assert set_faults(foreign, "gyro_bias wren z 0.02").successful
        assert session.end() == 0, session.output + session.logs()
        recording = session.recording()
    (began,) = [event for event in recording.events if event.kind == "fault_began"]
    assert (began.data["fault"], began.data["live"]) == ("gyro_bias wren z 0.02", True)
    assert (began.run, began.attempt) == ("hop", 1)
    assert "gyro_bias wren z 0.02" in (tmp_path / "results" / "report.html").read_text()
    assert "BROKEN from now on (live): gyro_bias wren z 0.02" in session.output
