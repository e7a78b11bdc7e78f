"""A session in which something breaks: flight code is told nothing, the record is told all."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.description.faults import from_words
from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.plan.criteria_schema import PositionError, PositionErrorAbove
from testbed.plan.maneuvers import Hold
from testbed.plan.results import Verdict
from testbed.record.load import load
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine
from testbed.report.ending import ending
from testbed.report.page import render
from testbed.report.session import judge
from tests.nodes.sessions import SMALL_PLANS


def session(**run_changes):
    """The session in which things break, with its run changed."""
    configuration = load_configuration(SMALL_PLANS / "faults.yaml")
    plan = configuration.plan
    runs = (plan.runs[0].model_copy(update=run_changes),)
    return replace(configuration, plan=plan.model_copy(update={"runs": runs}))


@pytest.fixture(scope="module")
def flown(tmp_path_factory):
    folder = tmp_path_factory.mktemp("faults") / "recording"
    sequence = rehearse_in_engine(load_configuration(SMALL_PLANS / "faults.yaml"), folder)
    return sequence, load(folder)


def test_the_session_with_tolerable_faults_passes(flown):
    sequence, _ = flown
    assert sequence.passed


def a_hold(*faults):
    """A hold of 12 s within 5 cm, which is given up at 20 cm from the reference."""
    run = {
        "maneuvers": {"wren": (Hold(kind="hold", duration=12.0),)},
        "time_limit": 20.0,
        "faults": faults,
        "abort": (PositionErrorAbove(kind="position_error", limit=0.2),),
        "criteria": (PositionError(kind="position_error", name="near its goal", limit=0.05),),
    }
    sequence = rehearse_in_engine(session(**run), None)
    return sequence.results[0].tries[-1]


def test_a_hold_with_a_valve_stuck_open_fails_and_says_so_and_the_same_hold_without_passes():
    stuck = from_words("valve_stuck_open wren front_left_along").model_copy(update={"at": 1.0})
    broken = a_hold(stuck)
    assert broken.verdict in (Verdict.FAILED, Verdict.ABORTED)
    assert "valve_stuck_open wren front_left_along" in broken.reason
    assert a_hold().verdict is Verdict.PASSED


def test_the_plan_of_forgiven_faults_that_ships_passes():
    sequence = rehearse_in_engine(load_configuration(locate("plans/faults.yaml")), None)
    assert [(result.name, result.passed) for result in sequence.results] == [
        ("valve-stuck-closed", True),
        ("receiver-dead", True),
        ("table-sinks", True),
    ]


def test_flight_is_told_nothing_of_faults():
    broken = LockstepRehearsal(session())
    whole = LockstepRehearsal(session(faults=()))
    for name in ("estimator", "guidance", "driver"):
        assert getattr(broken.flight, name).tobytes() == getattr(whole.flight, name).tobytes()


def test_until_the_first_fault_nothing_differs_and_then_everything_does():
    broken, whole = (LockstepRehearsal(session(**changes)) for changes in ({}, {"faults": ()}))
    while not broken.commands.state.faults:
        assert broken.plant.states.tobytes() == whole.plant.states.tobytes()
        for one in (broken, whole):
            one.step()
    while len(broken.commands.state.faults) < 4:
        for one in (broken, whole):
            one.step()
    broken.step()
    whole.step()
    assert broken.plant.vehicles.tobytes() != whole.plant.vehicles.tobytes()
    assert not np.array_equal(broken.plant.states["position"], whole.plant.states["position"])


def test_the_report_tells_what_was_broken_and_when(flown):
    _, recording = flown
    told = judge(recording)
    (one,) = told.runs[0].tries
    assert [(broken.fault, round((broken.begin - one.start) / 1e9, 3)) for broken in one.broken] == [
        ("receiver_dead wren 2", 0.5),
        ("air_temperature 2.0", 1.0),
        ("valve_weak wren back_left_side 0.4", 1.0),
        ("valve_stuck_closed wren front_right_side", 1.5),
        ("valve_leak wren back_right_along 0.05", 2.0),
        ("table_tilt 0.2 -0.1", 2.0),
        ("valve_slow wren front_left_side 0.012", 2.2),
        ("regulator_droop wren 0.3", 2.5),
        ("tank_leak wren 0.1", 2.5),
        ("gyro_bias wren z 0.05", 3.0),
    ]
    over = {broken.fault: round((broken.over - one.start) / 1e9, 3) for broken in one.broken if broken.over}
    assert over == {
        "valve_stuck_closed wren front_right_side": 3.5,
        "table_tilt 0.2 -0.1": 4.0,
        "gyro_bias wren z 0.05": 5.0,
    }
    page = render(recording, told, ending(recording), [])
    assert "receiver_dead wren 2" in page
