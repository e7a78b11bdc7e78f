"""A vehicle with a user's own guidance may fly a formation only if that guidance takes trajectories."""

from dataclasses import replace

from testbed.flight.own import OwnGuidance
from testbed.plan.checks.own_parts import check
from testbed.plan.configuration import load_configuration
from testbed.plan.formation_schema import Formation, Line, PointFrame
from tests.nodes.sessions import SMALL_PLANS


def in_formation():
    configuration = load_configuration(SMALL_PLANS / "own.yaml")
    wall = Formation(
        slots=Line(kind="line", spacing=1.0),
        frame=PointFrame(kind="point", x=0.0, y=0.0),
        vehicles=("planar", "spring"),
    )
    return replace(configuration, plan=configuration.plan.model_copy(update={"formations": {"wall": wall}}))


def test_a_guidance_that_takes_no_trajectory_is_refused_by_name():
    (problem,) = check(in_formation())
    assert problem.field == "formations.wall.vehicles[1]"
    assert "accept_trajectory, which spring's own lacks" in problem.allowed


def test_one_that_takes_them_is_not(monkeypatch):
    monkeypatch.setattr(OwnGuidance, "flies_formations", True)
    assert not list(check(in_formation()))
