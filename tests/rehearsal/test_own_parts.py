"""Users' own guidance and estimator in the engine."""

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from testbed.description.messages import TICK_NS
from testbed.description.own_parts import OwnParts
from testbed.plan.check import check
from testbed.plan.configuration import load_configuration
from testbed.plan.results import Verdict
from testbed.record.load import load
from testbed.record.reader import RecordingReader
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine

ROOT = Path(__file__).resolve().parents[2]
PLANS = ROOT / "tests" / "graph" / "plans"
EXAMPLE = ROOT / "config" / "own" / "own.yaml"
OURS = OwnParts(guidance="testbed.flight.guidance:Guidance", estimator="testbed.flight.estimation:Estimator")


def with_own(plan, **own):
    """A plan of the graph's tests, whose vehicles have these parts."""
    configuration = load_configuration(PLANS / f"{plan}.yaml")
    vehicles = {
        name: one.model_copy(update={"own": own.get(name, OwnParts())}) for name, one in configuration.vehicles.items()
    }
    return replace(configuration, vehicles=vehicles)


def forget_modules():
    for name in ("spring", "planar", "spent_guidance"):
        sys.modules.pop(name, None)


@pytest.fixture(autouse=True)
def fresh_modules(monkeypatch):
    """Modules of users' folders are imported anew in each test, and from its own folder alone."""
    monkeypatch.setattr(sys, "path", [one for one in sys.path if one != str(EXAMPLE.parent)])
    forget_modules()  # those of tests before it, in other files
    yield
    forget_modules()


@pytest.mark.parametrize("own", [{"wren": OURS}, {"wren": OURS, "siskin": OURS}], ids=["one", "both"])
def test_our_own_classes_named_as_a_user_s_give_the_same_bits(own):
    compiled, asked = LockstepRehearsal(with_own("two")), LockstepRehearsal(with_own("two", **own))
    assert not compiled.own
    assert asked.own
    for _ in range(80):
        compiled.step()
        asked.step()
        for name in compiled.wires._fields:
            assert getattr(asked.wires, name).tobytes() == getattr(compiled.wires, name).tobytes(), name
        assert asked.plant.states.tobytes() == compiled.plant.states.tobytes()
    assert compiled.commands.state.run == "hop"
    assert compiled.commands.state == asked.commands.state
    assert asked.wires.wrench[0]["force"].any()


def test_the_worked_example_is_sound_and_passes(tmp_path):
    assert check(EXAMPLE) == []
    sequence = rehearse_in_engine(load_configuration(EXAMPLE), tmp_path / "recording")
    (result,) = sequence.results
    assert result.passed, [one.criteria for one in result.tries]
    recording = load(tmp_path / "recording")
    error = recording.vehicles["planar"].odometry
    fixed = error[error["pose_covariance"][:, 0, 0] < 1.0]
    assert len(fixed) > 1000
    bias = recording.vehicles["planar"].bias
    assert np.abs(bias["vector"]).max() > 0.0
    assert len(RecordingReader(tmp_path / "recording").channels["/planar/estimate/innovations"]) > 10


FAILING = """
import numpy as np


class Spent:
    def __init__(self, vehicle, place, active_axes):
        self.left = 60

    def accept_maneuver(self, maneuver):
        pass

    def step(self, odometry, disturbance, wrench, reference, status):
        self.left -= 1
        if odometry[0]["pose_covariance"][0, 0] < 1.0 and self.left < 0:
            raise RuntimeError("nothing left")
        wrench[0]["force"] = (0.2, 0.0, 0.0)
"""


def test_an_own_part_that_fails_closes_all_valves_names_itself_and_keeps_the_recording(tmp_path, monkeypatch):
    (tmp_path / "spent_guidance.py").write_text(FAILING)
    monkeypatch.syspath_prepend(tmp_path)
    configuration = with_own("two", wren=OwnParts(guidance="spent_guidance:Spent"))
    sequence = rehearse_in_engine(configuration, tmp_path / "recording")
    (tried,) = sequence.results[0].tries
    assert tried.verdict is Verdict.STOPPED
    said = "own guidance Spent of wren failed at "
    assert tried.reason.startswith(said)
    assert "RuntimeError: nothing left" in tried.reason
    assert not sequence.passed
    recording = load(tmp_path / "recording")
    (stop,) = [one for one in recording.events if one.kind == "stop"]
    assert stop.data["reason"] == tried.reason
    failed = round(float(tried.reason.removeprefix(said).partition(" ")[0]) * 1e9)
    for name in ("wren", "siskin"):
        valves = recording.vehicles[name].valves
        late = valves.open[valves.stamps > failed + 2 * TICK_NS]
        assert len(late) > 10, "the coast is recorded"
        assert not late.any(), f"a valve of {name} is open after the failure"
    assert recording.states[-1].stamp - failed >= 5e9


def test_what_cannot_be_built_is_told_with_file_line_field_value_and_what_is_allowed(tmp_path):
    for name in ("wren_spring.yaml", "wren_planar.yaml", "own.yaml", "planar.py"):
        (tmp_path / name).write_text((EXAMPLE.parent / name).read_text().replace("spring:Spring", "springs:Spring"))
    told = [str(one) for one in check(tmp_path / "own.yaml")]
    (line,) = told
    assert line.startswith(f"{tmp_path}/wren_spring.yaml:8: own.guidance is 'springs:SpringGuidance', allowed: a class")
    assert "ModuleNotFoundError: No module named 'springs'" in line


def test_an_estimator_for_the_table_is_refused_in_the_cabin(tmp_path):
    for name in ("wren_planar.yaml", "planar.py"):
        (tmp_path / name).write_text((EXAMPLE.parent / name).read_text())
    text = (ROOT / "config" / "plans" / "cabin-float.yaml").read_text()
    assert "vehicles/wren.yaml" in text
    (tmp_path / "plan.yaml").write_text(text.replace("vehicles/wren.yaml", "wren_planar.yaml"))
    told = [str(one) for one in check(tmp_path / "plan.yaml")]
    assert any("own.estimator is 'planar:PlanarEstimator'" in one and "knows the table only" in one for one in told)
