"""Plans with wrong names, kinds, or keys."""

import pytest

from testbed.description.effects import Effect
from tests.broken.broken import DEMO, FIRST_FLOAT, LAB, Broken, assert_told, broken

EFFECTS = " or ".join([", ".join(f"'{effect}'" for effect in list(Effect)[:-1]), f"'{list(Effect)[-1]}'"])
CRITERIA = "    criteria:" + (LAB / FIRST_FLOAT).read_text().partition("    criteria:")[2]

CASES = [
    broken(
        "a fraction for a whole number",
        DEMO,
        {"seed: 1\n": "seed: 1.5\n"},
        "plans/demo.yaml:12: seed is 1.5, allowed: a whole number (Seed of every random draw)",
    ),
    broken(
        "negative seed",
        DEMO,
        {"seed: 1\n": "seed: -1\n"},
        ("plans/demo.yaml:12: seed is -1, allowed: a number of at least 0 (Seed of every random draw)"),
    ),
    broken(
        "an effect that does not exist",
        DEMO,
        {"seed: 1\n": "seed: 1\nswitched_off: [gravity]\n"},
        f"plans/demo.yaml:13: switched_off[0] is 'gravity', allowed: {EFFECTS} "
        "(An imperfection of the plant, as plans name it under `switched_off`.)",
    ),
    broken(
        "table file not there",
        DEMO,
        {"tables/floor.yaml": "tables/flor.yaml"},
        ("plans/demo.yaml:9: table is 'tables/flor.yaml', allowed: a file that exists in one of FOLDERS"),
    ),
    broken(
        "vehicle file not there",
        FIRST_FLOAT,
        {"vehicles/wren.yaml": "vehicles/robin.yaml"},
        (
            "plans/first-float.yaml:14: vehicles.wren.file is 'vehicles/robin.yaml', allowed: a file "
            "that exists in one of FOLDERS"
        ),
    ),
    broken(
        "no table on the table",
        DEMO,
        {"table: tables/floor.yaml": ""},
        "plans/demo.yaml:8: place is 'table', allowed: with a table file, which is missing",
    ),
    broken(
        "bench vehicle",
        FIRST_FLOAT,
        {"wren: {file: vehicles/wren.yaml}": "wren: {file: vehicles/wren.yaml, kind: bench}"},
        ("plans/first-float.yaml:14: vehicles.wren.kind is 'bench', allowed: simulated; bench is not there yet"),
    ),
    broken(
        "floor vehicle",
        FIRST_FLOAT,
        {"wren: {file: vehicles/wren.yaml}": "wren: {file: vehicles/wren.yaml, kind: floor}"},
        ("plans/first-float.yaml:14: vehicles.wren.kind is 'floor', allowed: simulated; floor is not there yet"),
    ),
    broken(
        "unknown kind of vehicle",
        FIRST_FLOAT,
        {"wren: {file: vehicles/wren.yaml}": "wren: {file: vehicles/wren.yaml, kind: virtual}"},
        (
            "plans/first-float.yaml:14: vehicles.wren.kind is 'virtual', allowed: 'simulated', "
            "'bench' or 'floor' (simulated: emulated; bench: real valves; floor: real vehicle)"
        ),
    ),
    broken(
        "a name no topic can have",
        DEMO,
        {"dunlin: {file": "Dunlin 1: {file"},
        (
            "plans/demo.yaml:17: vehicles.Dunlin 1 is 'Dunlin 1', allowed: a name of lower-case "
            "letters, digits and _, a letter first"
        ),
    ),
    broken(
        "maneuvers of an unknown vehicle",
        FIRST_FLOAT,
        {"    maneuvers:\n      wren:": "    maneuvers:\n      robin: [{kind: hold, duration: 1.0}]\n      wren:"},
        ("plans/first-float.yaml:39: runs[0].maneuvers.robin is 'robin', allowed: a vehicle of the plan: wren"),
    ),
    broken(
        "start of an unknown vehicle",
        FIRST_FLOAT,
        {"    start:\n": "    start:\n      robin: {x: 0.0, y: 0.0}\n"},
        ("plans/first-float.yaml:37: runs[0].start.robin is 'robin', allowed: a vehicle of the plan: wren"),
    ),
    broken(
        "no start in the first run",
        DEMO,
        {"      dunlin: {x: 1.0, y: -0.6, heading_deg: 0.0}\n": ""},
        (
            "plans/demo.yaml:53: runs[0].start is ['siskin', 'wren'], allowed: also a start pose for "
            "dunlin, as this is the first run"
        ),
    ),
    broken(
        "criterion of an unknown vehicle",
        FIRST_FLOAT,
        {"name: at goal, limit: 0.03,": "name: at goal, limit: 0.03, vehicles: [robin],"},
        ("plans/first-float.yaml:45: runs[0].criteria[0].vehicles[0] is 'robin', allowed: a vehicle of the plan: wren"),
    ),
    broken(
        "two criteria of one name",
        DEMO,
        {"name: gas, limit_g: 10.0": "name: apart, limit_g: 10.0"},
        ("plans/demo.yaml:66: runs[0].criteria[4].name is 'apart', allowed: a name that is not taken yet"),
    ),
    broken(
        "objective names an unknown run",
        DEMO,
        {"{run: line, criteria: [apart": "{run: lime, criteria: [apart"},
        (
            "plans/demo.yaml:34: objectives[2].evidence[1].run is 'lime', allowed: a run of the "
            "plan: hold-station, line, wedge, return"
        ),
    ),
    broken(
        "objective names an unknown criterion",
        DEMO,
        {"criteria: [in line, heading in line]": "criteria: [in lime, heading in line]"},
        (
            "plans/demo.yaml:27: objectives[1].evidence[0].criteria[0] is 'in lime', allowed: a "
            "criterion of line: in line, heading in line, on the way, apart, untouched, gas"
        ),
    ),
    broken(
        "unknown maneuver",
        FIRST_FLOAT,
        {"kind: hold, duration: 5.0": "kind: hop, duration: 5.0"},
        (
            "plans/first-float.yaml:40: runs[0].maneuvers.wren[0].kind is 'hop', allowed: one of "
            "'hold', 'translate', 'rotate', 'track', 'formation'"
        ),
    ),
    broken(
        "unknown criterion",
        FIRST_FLOAT,
        {"kind: gas_used": "kind: gas_left"},
        (
            "plans/first-float.yaml:49: runs[0].criteria[4].kind is 'gas_left', allowed: one of "
            "'position_error', 'attitude_error', 'separation', 'keep_out', 'gas_used', 'contact_force'"
        ),
    ),
    broken(
        "kind forgotten",
        FIRST_FLOAT,
        {"{kind: hold, duration: 5.0}": "{duration: 5.0}"},
        (
            "plans/first-float.yaml:40: runs[0].maneuvers.wren[0].kind is missing, allowed: one of "
            "'formation', 'hold', 'rotate', 'track', 'translate'"
        ),
    ),
    broken(
        "two goals of a turn",
        FIRST_FLOAT,
        {"heading_deg: 45.0,": "heading_deg: 45.0, attitude_deg: [0, 0, 45],"},
        (
            "plans/first-float.yaml:42: runs[0].maneuvers.wren[2] is {'kind': 'rotate', "
            "'heading_deg': 45.0, 'attitude_deg': [0 …, allowed: either heading_deg or attitude_deg"
        ),
    ),
    broken(
        "times of waypoints fall",
        DEMO,
        {"{time: 10.0, x: 0.0, y: 0.2}": "{time: 26.0, x: 0.0, y: 0.2}"},
        (
            "plans/demo.yaml:101: runs[2].maneuvers.siskin[0].waypoints[2].time is 25.0, allowed: "
            "more than 26 s, the time before"
        ),
    ),
    broken(
        "a window of two kinds",
        FIRST_FLOAT,
        {"limit: 0.03, window: {last: 5.0}": "limit: 0.03, window: {last: 5.0, begin: 1.0, end: 2.0}"},
        (
            "plans/first-float.yaml:45: runs[0].criteria[0].window is {'last': 5.0, 'begin': 1.0, "
            "'end': 2.0}, allowed: either {last: s} or {begin: s, end: s}"
        ),
    ),
    broken(
        "a window that ends before it begins",
        FIRST_FLOAT,
        {"limit: 0.03, window: {last: 5.0}": "limit: 0.03, window: {begin: 5.0, end: 4.0}"},
        ("plans/first-float.yaml:45: runs[0].criteria[0].window.end is 4.0, allowed: more than begin, 5 s"),
    ),
    broken(
        "no tries",
        FIRST_FLOAT,
        {"tries: 2": "tries: 0"},
        (
            "plans/first-float.yaml:33: runs[0].tries is 0, allowed: a number of at least 1 (Tries "
            "allowed until one passes)"
        ),
    ),
    broken(
        "two runs of one name",
        DEMO,
        {
            "- name: return\n": "- name: wedge\n",
            "      - {run: return, criteria: [home, heading home]}\n": "",
            "      - {run: return, criteria: [apart, untouched]}\n": "",
            "      - {run: wedge, criteria: [in wedge, heading in wedge]}\n": "",
        },
        "plans/demo.yaml:114: runs[3].name is 'wedge', allowed: a name that is not taken yet",
    ),
    broken(
        "no criteria",
        FIRST_FLOAT,
        {CRITERIA: "    criteria: []\n"},
        (
            "plans/first-float.yaml:44: runs[0].criteria is [], allowed: 1 or more entries (All must "
            "be met for the try to pass)"
        ),
    ),
    broken(
        "two objectives of one name",
        DEMO,
        {"- name: formation": "- name: station keeping"},
        ("plans/demo.yaml:24: objectives[1].name is 'station keeping', allowed: a name that is not taken yet"),
    ),
    broken(
        "a cabin that is not there",
        DEMO,
        {"place: table\ntable: tables/floor.yaml": "place: cabin\ncabin: cabins/nowhere.yaml"},
        "plans/demo.yaml:9: cabin is 'cabins/nowhere.yaml', allowed: a file that exists in one of FOLDERS",
    ),
    broken(
        "mistakes in two files at once",
        DEMO,
        {"tables/floor.yaml": "tables/flor.yaml", "criteria: [in line, heading in line]": "criteria: [in lime]"},
        ("plans/demo.yaml:9: table is 'tables/flor.yaml', allowed: a file that exists in one of FOLDERS"),
        (
            "plans/demo.yaml:27: objectives[1].evidence[0].criteria[0] is 'in lime', allowed: a "
            "criterion of line: in line, heading in line, on the way, apart, untouched, gas"
        ),
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
