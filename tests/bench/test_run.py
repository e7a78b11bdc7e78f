"""A measure that fails says so and leaves the others their figures."""

import json

import pytest
from typer.testing import CliRunner

from testbed.bench import Figure, run
from testbed.bench.processes import MeasurementError
from testbed.cli.app import app
from testbed.cli.bench import Measure


def test_the_command_knows_every_measure():
    assert [one.value for one in Measure] == list(run.MEASURES)


def fails(plan, demo, tell):
    raise MeasurementError("no valve opened")


@pytest.mark.parametrize(("names", "code"), [(["engine"], 0), (["loop", "engine"], 1)], ids=["all well", "one fails"])
def test_what_could_be_measured_is_shown_and_written(monkeypatch, tmp_path, names, code):
    engine = Figure("speed", 300.0, "× real time", at_least=100.0)
    monkeypatch.setattr(run, "MEASURES", {"engine": lambda plan, demo, tell: [engine], "loop": fails})
    file = tmp_path / "figures.json"
    result = CliRunner().invoke(app, ["bench", *names, "--json", str(file)])
    assert result.exit_code == code
    assert "≥ 100 kept" in result.output
    assert ("loop: no valve opened" in result.output) == (code == 1)
    content = json.loads(file.read_text())
    assert content["figures"] == [engine.to_dict()]
    assert content["not_measured"] == (["loop: no valve opened"] if code else [])
