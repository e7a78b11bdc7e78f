"""Table, beacons and noise files with one wrong thing in them."""

import pytest

from tests.broken.broken import BEACONS, NOISE, TABLE, Broken, assert_told, broken

CASES = [
    broken(
        "a needed part left out",
        TABLE,
        {"working_area: [[-1.6, -1.3], [1.6, 1.3]]": ""},
        (
            "tables/floor.yaml:4: working_area is missing, allowed: a value (Lower left and upper "
            "right corner of the area for poses, m)"
        ),
    ),
    broken(
        "outline clockwise",
        TABLE,
        {"outline: [[-1.8, -1.5], [1.8, -1.5],": "outline: [[1.8, -1.5], [-1.8, -1.5],"},
        (
            "tables/floor.yaml:7: outline is [[1.8, -1.5], [-1.8, -1.5], [1.8, 1.5], [-1.8, 1.5]], "
            "allowed: a convex polygon in counter-clockwise order"
        ),
    ),
    broken(
        "outline like a star",
        TABLE,
        {
            "outline: [[-1.8, -1.5], [1.8, -1.5], [1.8, 1.5], [-1.8, 1.5]]": "outline: "
            "[[0.0, 2.0], [-1.2, -1.6], [1.9, 0.6], [-1.9, 0.6], [1.2, -1.6]]"
        },
        (
            "tables/floor.yaml:7: outline is [[0.0, 2.0], [-1.2, -1.6], [1.9, 0.6], [-1.9, 0.6], [1.2,  …, "
            "allowed: a polygon that goes round once"
        ),
    ),
    broken(
        "working area beyond the outline",
        TABLE,
        {"[1.6, 1.3]]": "[1.9, 1.3]]"},
        ("tables/floor.yaml:8: working_area is [[-1.6, -1.3], [1.9, 1.3]], allowed: corners within outline"),
    ),
    broken(
        "working area inside out",
        TABLE,
        {"working_area: [[-1.6, -1.3], [1.6, 1.3]]": "working_area: [[1.6, 1.3], [-1.6, -1.3]]"},
        (
            "tables/floor.yaml:8: working_area is [[1.6, 1.3], [-1.6, -1.3]], allowed: [[left, low], "
            "[right, high]] with left < right and low < high"
        ),
    ),
    broken(
        "a hard edge that the outline does not have",
        TABLE,
        {"edge_stiffness": "hard_edges: [1, 4]\nedge_stiffness"},
        "tables/floor.yaml:22: hard_edges[1] is 4, allowed: 0 to 3, a side of outline",
    ),
    broken(
        "parking beyond the edge",
        TABLE,
        {"edge_stiffness": "parking: [{x: 0.0, y: 1.6}]\nedge_stiffness"},
        "tables/floor.yaml:22: parking[0] is {'x': 0.0, 'y': 1.6}, allowed: a position within outline",
    ),
    broken(
        "parking with a carriage over the edge",
        TABLE,
        {"edge_stiffness": "parking: [{x: 0.0, y: 1.4}]\nedge_stiffness"},
        "tables/floor.yaml:22: parking[0] is [0.0, 1.4], allowed: 0.2 m or more from every edge, the radius of wren",
    ),
    broken(
        "two sources of heights",
        TABLE,
        {"  spacing: 0.6": "  spacing: 0.6\n  grade: 1"},
        "tables/floor.yaml:14: flatness.grade is 1, allowed: left out where heights are given or measured",
    ),
    broken(
        "a grid file that is not there",
        TABLE,
        {"flatness: # heights": "flatness:\n  file: nowhere.csv # heights"},
        "tables/floor.yaml:15: flatness.heights_um is [[0, 22, 35, 18, -12, -30, -8], [14, 40, 48, 26, 2, -22, 6 …, "
        "allowed: left out where file gives it",
    ),
    broken(
        "a carriage that never floats",
        TABLE,
        {"separation:": "bearing: {start_pressure: 1.0e5}\nseparation:"},
        "tables/floor.yaml:24: bearing.start_pressure is 100000.0, allowed: more than float_pressure, 500000 Pa",
    ),
    broken(
        "ragged flatness grid",
        TABLE,
        {"[14, 40, 48, 26, 2, -22, 6]": "[14, 40, 48]"},
        (
            "tables/floor.yaml:16: flatness.heights_um[1] is [14, 40, 48], allowed: rows of heights "
            "that are all equally long, at least 2"
        ),
    ),
    broken(
        "too few beacons",
        BEACONS,
        {
            (
                "  - {position: [2.0, 1.7, 1.2]}\n  - {position: [-2.0, 1.7, 2.2]}\n  - {position: [-2.0, -1.7, 1.2]}\n"
            ): ""
        },
        (
            "beacons/floor.yaml:10: beacons is [{'position': [2.0, -1.7, 2.2]}, {'position': [0.0, "
            "1.7, 0 …, allowed: 4 or more entries"
        ),
    ),
    broken(
        "slots longer than the cycle",
        BEACONS,
        {"slot: 0.04": "slot: 0.05"},
        "beacons/floor.yaml:8: slot is 0.05, allowed: 6 slots that fit a cycle of 0.25 s",
    ),
    broken(
        "cycle off the tick",
        BEACONS,
        {"cycle: 0.25": "cycle: 0.255"},
        "beacons/floor.yaml:7: cycle is 0.255, allowed: a whole number of ticks of 0.01 s",
    ),
    broken(
        "every chirp lost",
        NOISE,
        {"dropout: 0.02": "dropout: 1.0"},
        ("noise/floor.yaml:18: ranging.dropout is 1.0, allowed: a number below 1.0 (Share of chirps lost)"),
    ),
    broken(
        "the longest echo shorter than the shortest",
        NOISE,
        {"multipath_longest: 0.15": "multipath_longest: 0.01"},
        "noise/floor.yaml:21: ranging.multipath_longest is 0.01, allowed: at least multipath_shortest, 0.02 m",
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
