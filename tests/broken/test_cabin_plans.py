"""The plan in the cabin with one wrong thing in it, or in its cabin."""

import shutil
from pathlib import Path

import pytest

from testbed.plan.check import check

SHIPPED = Path(__file__).resolve().parents[2] / "config"
PLAN, CABIN, VEHICLE = "plans/cabin-float.yaml", "cabins/cabin.yaml", "vehicles/wren.yaml"

CASES = [
    pytest.param(
        PLAN,
        {"x: 0.4, y: 0.2, z: 0.2": "x: 0.4, y: 0.2, z: 1.1"},
        "plans/cabin-float.yaml:41: runs[0].maneuvers.wren[1].z is 1.1, allowed: -1.06 to 1.06 m, the cabin less the "
        "radius of wren",
        id="a goal in the ceiling",
    ),
    pytest.param(
        PLAN,
        {"speed_limit: 0.06": "speed_limit: 0.12"},
        "plans/cabin-float.yaml:41: runs[0].maneuvers.wren[1].speed_limit is 0.12, allowed: at most 0.1 m/s, the "
        "flight_speed of wren",
        id="faster than in flight",
    ),
    pytest.param(
        PLAN,
        {"time_limit: 90.0": "time_limit: 30.0"},
        "plans/cabin-float.yaml:34: runs[0].time_limit is 30.0, allowed: at least",
        id="no time for all axes",
    ),
    pytest.param(
        PLAN,
        {"- {kind: hold, duration: 8.0}": "- {kind: hold, duration: 8.0, pose: {x: 0.4, y: 0.2, z: 0.5}}"},
        "plans/cabin-float.yaml:43: runs[0].maneuvers.wren[3].pose is [0.4, 0.2, 0.5], allowed: within 0.1 m of the",
        id="a hold that is higher",
    ),
    pytest.param(
        VEHICLE,
        {"exhaust: [0.0, 0.0, 1.0], thrust: 0.15": "exhaust: [0.0, 0.0, -1.0], thrust: 0.15"},
        "is '12 valves', allowed: valves in service that can",
        id="a vehicle that cannot go down on one side",
    ),
    pytest.param(
        CABIN,
        {"walls: soft": "hard_walls: [+u]"},
        "cabins/cabin.yaml:8: hard_walls[0] is '+u', allowed: '+x', '+y', '+z', '-x', '-y' or '-z'",
        id="a wall that a cabin does not have",
    ),
]


@pytest.mark.parametrize(("file", "edits", "line"), CASES)
def test_is_told_in_one_clear_line(file, edits, line, tmp_path, monkeypatch):
    shutil.copytree(SHIPPED, tmp_path / "config")
    monkeypatch.setenv("TESTBED_CONFIG_PATH", str(tmp_path / "config"))
    path = tmp_path / "config" / file
    text = path.read_text()
    for old, new in edits.items():
        assert old in text
        text = text.replace(old, new)
    path.write_text(text)
    told = [str(problem).replace(f"{tmp_path}/config/", "") for problem in check(tmp_path / "config" / PLAN)]
    assert len(told) == 1, told
    assert line in told[0]
