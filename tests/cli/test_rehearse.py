"""`testbed rehearse`: what it says before it begins."""

import pytest

from testbed.cli import rehearse, warm
from testbed.cli.app import main
from testbed.plan.configuration import NO_SAFETY_FILTER
from tests.report.plan import TEXT


@pytest.mark.parametrize("engine", ["live", "lockstep"])
@pytest.mark.parametrize("switched_off", [True, False])
def test_it_says_that_the_safety_filter_is_switched_off_before_anything_moves(
    switched_off, engine, tmp_path, monkeypatch, capsys
):
    plan = tmp_path / "short.yaml"
    plan.write_text(TEXT + "limits: {separation: {guaranteed: false}}\n" * switched_off)

    def run(*_):
        printed.extend(capsys.readouterr().out.splitlines())
        return 0

    printed = []
    monkeypatch.setattr(warm, "ensure_warm", lambda: None)
    monkeypatch.setattr(rehearse, "run_engine", run)
    monkeypatch.setattr(rehearse, "run_live", run)
    monkeypatch.setattr(rehearse, "conclude", lambda folder: 0)
    with pytest.raises(SystemExit) as ended:
        main(["rehearse", str(plan), "--engine", engine, "--results", str(tmp_path / "results")])
    assert ended.value.code in (0, None)
    assert printed == [NO_SAFETY_FILTER] * switched_off
