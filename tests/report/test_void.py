"""A try declared void after the session no longer counts for the verdict, and is still there to be seen."""

import json
import shutil

import pytest

from testbed.cli.app import main


@pytest.fixture
def passed(sessions, tmp_path):
    return shutil.copytree(sessions("passed"), tmp_path / "session")


def declare(folder, run, attempt, *more):
    with pytest.raises(SystemExit) as ended:
        main(["void", str(folder), run, str(attempt), *more])
    return ended.value.code


def test_the_only_passed_try_declared_void_leaves_the_run_not_passed(passed, capsys):
    assert declare(passed, "hold", 1, "--reason", "a cable touched it", "--name", "Mira") == 0
    assert "session not passed" in capsys.readouterr().out
    summary = json.loads((passed / "summary.json").read_text())
    (run,) = [run for run in summary["runs"] if run["name"] == "hold"]
    assert not run["passed"]
    assert run["tries"][0]["verdict"] == "void"
    assert run["tries"][0]["void"] == {"reason": "a cable touched it", "name": "Mira"}
    assert run["tries"][0]["criteria"], "what was measured stays"
    page = (passed / "report.html").read_text()
    assert "a cable touched it" in page
    assert "Mira" in page


def test_a_try_that_was_never_made_cannot_be_void(passed, capsys):
    assert declare(passed, "hold", 7, "--reason", "why", "--name", "Mira") == 2
    assert "hold 7, allowed: a try made: hold 1, move 1" in capsys.readouterr().err.replace("'", "")
