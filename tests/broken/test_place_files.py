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
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
