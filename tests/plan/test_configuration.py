"""A session's configuration, its message and its hash."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from testbed.description.faults import ValveStuckOpen
from testbed.plan.configuration import NO_SAFETY_FILTER, Configuration, load_configuration
from testbed.plan.schema import SeparationLimit, SessionLimits
from tests.plan.world import PLANS, configuration


def test_the_message_restores_the_whole_session_without_any_file(monkeypatch):
    lab = configuration("demo")
    text = lab.to_json()
    monkeypatch.setattr(Path, "read_bytes", None)
    monkeypatch.setattr(Path, "open", None)
    restored = Configuration.from_json(text)
    assert restored == replace(lab, sources=restored.sources)
    for role, source in lab.sources.items():
        assert (restored.sources[role].text, restored.sources[role].sha256) == (source.text, source.sha256)
    assert restored.to_json() == text


def test_the_message_carries_files_as_read_values_hashes_seed_and_versions():
    content = json.loads(configuration("first-float").to_json())
    assert content["files"]["plan"]["text"] == (PLANS / "first-float.yaml").read_text()
    assert set(content["files"]) == {"plan", "table", "beacons", "noise", "vehicles.wren"}
    assert content["resolved"]["vehicles"]["wren"]["shape"]["sides"] == 8
    assert content["resolved"]["seed"] == 1
    assert {"testbed", "python", "numpy", "numba"} <= set(content["versions"])
    assert len(content["plan_hash"]) == 64


def test_the_hash_depends_on_values_and_seed_not_on_comments():
    lab = configuration("first-float")
    assert configuration("first-float").plan_hash == lab.plan_hash
    assert lab.with_seed(2).plan_hash != lab.plan_hash
    slower = lab.beacons.model_copy(update={"cycle": 0.5})
    assert replace(lab, beacons=slower).plan_hash != lab.plan_hash
    assert replace(lab, sources={}, versions={}).plan_hash == lab.plan_hash


@pytest.mark.parametrize(
    ("name", "guaranteed", "cautions"),
    [("demo", False, (NO_SAFETY_FILTER,)), ("demo", True, ()), ("first-float", False, ())],
    ids=["switched off", "on", "nobody to keep apart from"],
)
def test_a_safety_filter_that_is_switched_off_is_a_caution(name, guaranteed, cautions):
    lab = configuration(name)
    limits = SessionLimits(separation=SeparationLimit(guaranteed=guaranteed))
    changed = replace(lab, plan=lab.plan.model_copy(update={"limits": limits}))
    assert changed.cautions == cautions
    assert json.loads(changed.to_json())["cautions"] == list(cautions)


@pytest.mark.parametrize(("stray", "told"), [(0.0, True), (0.0119, True), (0.0120, False)])
def test_a_valve_that_is_to_push_harder_than_is_stated_is_a_caution(stray, told):
    """Valves of 0.15 N and a wren of 12.6 kg on its carriage: 0.0119 m/s²."""
    lab = configuration("demo")
    stuck = ValveStuckOpen(kind="valve_stuck_open", vehicle="wren", valve="front_left_along", at=3.0)
    limits = SessionLimits(separation=SeparationLimit(stray=stray))
    run = lab.plan.runs[0].model_copy(update={"faults": (stuck,)})
    plan = lab.plan.model_copy(update={"limits": limits, "runs": (run, *lab.plan.runs[1:]), "faults": (stuck,)})
    cautions = replace(lab, plan=plan).cautions
    assert len(cautions) == told
    assert all(word in caution for caution in cautions for word in ("front_left_along of wren", "0.0119 m/s²"))


def test_a_message_that_was_changed_is_refused():
    content = json.loads(configuration("first-float").to_json())
    content["resolved"]["seed"] = 7
    with pytest.raises(ValueError, match="its own hash"):
        Configuration.from_json(json.dumps(content))


@pytest.mark.parametrize("text", ["{}", "[]", '"a"', '{"resolved": {}}', "nothing"])
def test_another_message_is_refused(text):
    with pytest.raises(ValueError, match=r"not a configuration|Expecting value"):
        Configuration.from_json(text)


def test_a_vehicle_takes_the_name_that_the_plan_gives_it(tmp_path):
    text = (PLANS / "first-float.yaml").read_text().replace("wren: {file", "robin: {file").replace("wren:", "robin:")
    (tmp_path / "plan.yaml").write_text(text)
    lab = load_configuration(tmp_path / "plan.yaml")
    assert lab.vehicles["robin"].name == "robin"
    assert "wren" not in lab.vehicles


def test_the_seed_of_the_plan_can_be_replaced():
    assert load_configuration(PLANS / "first-float.yaml", seed=5).seed == 5
    assert load_configuration(PLANS / "first-float.yaml").seed == 1
