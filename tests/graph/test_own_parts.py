"""Users' own guidance and estimator on the live graph."""

import json
import shutil

import pytest

from tests.graph.session import PLANS, Session, all_closed_at_the_end
from tests.rehearsal.test_own_parts import EXAMPLE, FAILING

WAYS = {"live": ("--speed", "1"), "lockstep": ("--speed", "2")}


@pytest.mark.parametrize("way", WAYS)
def test_an_own_guidance_that_fails_stops_everything_and_is_named(tmp_path, way):
    plan = (PLANS / "own.yaml").read_text().replace("own/wren_spring.yaml", "wren_spent.yaml")
    (tmp_path / "spent.yaml").write_text(plan.replace("own/wren_planar.yaml", "vehicles/siskin.yaml"))
    vehicle = (EXAMPLE.parent / "wren_spring.yaml").read_text()
    (tmp_path / "wren_spent.yaml").write_text(vehicle.replace("spring:SpringGuidance", "spent_guidance:Spent"))
    (tmp_path / "spent_guidance.py").write_text(FAILING)
    with Session(str(tmp_path / "spent.yaml"), tmp_path / "results", *WAYS[way]) as session:
        assert session.end() == 1
        session.until_gone()
        assert "spring died" in session.output
        recording, summary = session.recording(), json.loads((session.results / "summary.json").read_text())
    assert not recording.cut
    assert summary["ended"]["how"] == "process died"
    (failed,) = [one for one in recording.events if one.kind == "own_part_failed"]
    assert failed.data["vehicle"] == "spring"
    assert "own guidance Spent of spring failed at " in failed.data["text"]
    assert "RuntimeError: nothing left" in failed.data["text"]
    assert all_closed_at_the_end(recording)
    assert summary["valves_at_end"] == {"spring": "closed", "planar": "closed"}


def test_a_module_that_is_missing_is_told_before_anything_starts(tmp_path):
    shutil.copy(EXAMPLE, tmp_path)
    for name in ("wren_spring.yaml", "wren_planar.yaml"):
        shutil.copy(EXAMPLE.parent / name, tmp_path)
    with Session(str(tmp_path / "own.yaml"), tmp_path / "results") as session:
        assert session.end() == 2
    assert "own.guidance is 'spring:SpringGuidance', allowed: a class that can be imported" in session.output
    assert "own.estimator is 'planar:PlanarEstimator', allowed: a class that can be imported" in session.output
