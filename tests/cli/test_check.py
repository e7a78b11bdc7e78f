"""`testbed check`: what it prints and how it ends."""

import json
import shutil

import pytest

from testbed.cli import app as shell
from testbed.plan.configuration import NO_SAFETY_FILTER
from tests.broken.broken import DEMO, FIRST_FLOAT, LAB, TABLE
from tests.report.plan import TEXT


def command(*arguments: str) -> int:
    with pytest.raises(SystemExit) as ended:
        shell.main(arguments)
    return ended.value.code or 0


def test_a_plan_with_nothing_wrong_ends_with_0(capsys):
    assert command("check", str(LAB / FIRST_FLOAT)) == 0
    assert capsys.readouterr().out.endswith("first-float.yaml: nothing wrong\n")


def test_it_says_where_the_table_gets_its_heights_from(tmp_path, monkeypatch, capsys):
    shutil.copytree(LAB, tmp_path / "lab")
    table = tmp_path / "lab" / TABLE
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(tmp_path / "lab"))
    assert command("check", str(tmp_path / "lab" / FIRST_FLOAT)) == 0
    assert "flatness: heights as given, not marked as measured" in capsys.readouterr().out
    head, _, tail = table.read_text().partition("flatness:")
    table.write_text(head + "flatness: {grade: 1}\nfilm_drag_time" + tail.partition("film_drag_time")[2])
    assert command("check", str(tmp_path / "lab" / FIRST_FLOAT)) == 0
    assert "grade 1, 33.2 µm in all; EXTRAPOLATED" in capsys.readouterr().out


def test_it_says_how_far_the_gas_goes_and_what_all_of_it_would_be_in_the_room(capsys):
    assert command("check", str(LAB / FIRST_FLOAT)) == 0
    printed = capsys.readouterr().out
    assert "wren: 109.3 g of nitrogen, 97.7 g usable: 49 s with all valves open, Δv 4.9 m/s, at most " in printed
    assert "all of it at once would be 626 ppm of the room's air, displacing oxygen; no limit is given" in printed


@pytest.mark.parametrize("switched_off", [True, False])
def test_it_says_that_the_safety_filter_is_switched_off(switched_off, tmp_path, capsys):
    plan = tmp_path / "short.yaml"
    plan.write_text(TEXT + "limits: {separation: {guaranteed: false}}\n" * switched_off)
    assert command("check", str(plan)) == 0
    assert (NO_SAFETY_FILTER in capsys.readouterr().out.splitlines()) == switched_off


def test_every_problem_is_one_line_on_stderr_and_the_exit_code_is_2(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(LAB))
    plan = tmp_path / "demo.yaml"
    plan.write_text((LAB / DEMO).read_text().replace("x: 1.0, y: -0.6, heading", "x: 1.7, y: -1.6, heading"))
    assert command("check", str(plan)) == 2
    printed = capsys.readouterr()
    assert printed.out == ""
    assert printed.err.splitlines() == [
        f"{plan}:56: runs[0].start.dunlin.x is 1.7, allowed: -1.6 to 1.6 m, the working area",
        f"{plan}:56: runs[0].start.dunlin.y is -1.6, allowed: -1.3 to 1.3 m, the working area",
    ]


def test_a_plan_that_is_not_there_is_bad_input(capsys):
    assert command("check", "plans/nowhere.yaml") == 2
    assert "plans/nowhere.yaml" in capsys.readouterr().err


@pytest.mark.parametrize("kind", ["plan", "vehicle", "table", "cabin", "beacons", "noise"])
def test_the_schema_of_each_kind_is_json_schema_with_a_word_on_each_number(kind, capsys):
    assert command("schema", kind) == 0
    schema = json.loads(capsys.readouterr().out)
    assert schema["$schema"].startswith("https://json-schema.org/")
    assert schema["additionalProperties"] is False
    for part in (schema, *schema.get("$defs", {}).values()):
        for name, field in part.get("properties", {}).items():
            if field.get("type") == "number":
                assert field.get("description"), f"{part.get('title')}.{name} says nothing about its number"


def test_an_unknown_kind_of_schema_is_refused(capsys):
    assert command("schema", "weather") == 2


@pytest.mark.parametrize("speed", ["0.1", "0.49"])
def test_a_speed_at_which_the_valves_deadman_would_strike_is_refused(speed, capsys):
    with pytest.raises(SystemExit) as ended:
        shell.main(["rehearse", "plans/first-float.yaml", "--speed", speed])
    assert ended.value.code == 2
    assert f"--speed is {speed}, allowed: 0, or 0.5 and more" in capsys.readouterr().err
