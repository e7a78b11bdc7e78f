"""The matrix of evidence leaves nothing out."""

from testbed.record.load import load
from testbed.report.objectives import outcomes
from testbed.report.session import judge


def rows(folder):
    return {one.objective.name: one for one in outcomes(judge(load(folder / "recording")))}


def test_every_try_gives_its_evidence_for_every_vehicle(sessions):
    station = rows(sessions("retried"))["station keeping"]
    seen = [(row.run, row.criterion, row.one.attempt, row.result.vehicle, row.result.passed) for row in station.rows]
    assert seen == [
        ("hold", "on station", 1, "wren", False),
        ("hold", "on station", 1, "siskin", False),
        ("hold", "on station", 2, "wren", True),
        ("hold", "on station", 2, "siskin", True),
        ("hold", "apart", 1, "wren, siskin", True),
        ("hold", "apart", 2, "wren, siskin", True),
    ]
    assert station.met


def test_a_void_try_is_still_in_the_matrix(sessions):
    station = rows(sessions("void"))["station keeping"]
    assert {row.one.attempt for row in station.rows if row.one.void} == {1}


def test_an_objective_whose_run_was_not_made_has_no_evidence(sessions):
    moving = rows(sessions("cut"))["moving"]
    assert not moving.met
    assert all(row.result is None for row in moving.rows)
    assert [row.criterion for row in moving.rows] == ["arrived", "untouched"]
