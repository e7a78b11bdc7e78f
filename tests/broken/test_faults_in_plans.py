"""Faults of a plan that name what is not there, or come at times that never come."""

import pytest

from testbed.description.faults import KINDS
from tests.broken.broken import FIRST_FLOAT, LAB, Broken, assert_told, broken

VALVES = ", ".join(
    f"{corner}_{way}"
    for corner in ("front_left", "front_right", "back_left", "back_right")
    for way in ("along", "side", "vertical")
)
TEXT = (LAB / FIRST_FLOAT).read_text()
LINE = TEXT[: TEXT.index("    criteria:\n      - {kind: position_error")].count("\n") + 2
"""Line of the first fault, which stands before the criteria of the run."""


def fault(name, text, *errors):
    """One fault in the run of the first float; errors without file and line."""
    edits = {"    criteria:\n": f"    faults:\n      - {{{text}}}\n    criteria:\n"}
    return broken(name, FIRST_FLOAT, edits, *(f"{FIRST_FLOAT}:{LINE}: runs[0].faults[0]{error}" for error in errors))


CASES = [
    fault(
        "an unknown kind",
        "kind: valve_broken, vehicle: wren",
        f".kind is 'valve_broken', allowed: one of {', '.join(repr(kind) for kind in KINDS)}",
    ),
    fault(
        "an unknown vehicle",
        "kind: gyro_bias, vehicle: robin",
        ".vehicle is 'robin', allowed: a vehicle of the plan: wren",
    ),
    fault(
        "an unknown valve",
        "kind: valve_weak, vehicle: wren, valve: front_left",
        f".valve is 'front_left', allowed: a valve of wren: {VALVES}",
    ),
    fault(
        "a valve of an unknown vehicle is told of the vehicle alone",
        "kind: valve_weak, vehicle: robin, valve: front_left",
        ".vehicle is 'robin', allowed: a vehicle of the plan: wren",
    ),
    fault(
        "a port that is not there",
        "kind: latch_stuck, vehicle: wren, port: top",
        ".port is 'top', allowed: a port of wren: none",
    ),
    fault(
        "an unknown receiver",
        "kind: receiver_dead, vehicle: wren, receiver: 8",
        ".receiver is 8, allowed: a receiver of wren: 0 to 7",
    ),
    fault("an unknown beacon", "kind: beacon_dead, beacon: 6", ".beacon is 6, allowed: a beacon: 0 to 5"),
    fault(
        "a relief valve that is not there",
        "kind: relief_open, vehicle: wren",
        ".vehicle is 'wren', allowed: a vehicle with a relief valve (gas.relief)",
    ),
    broken(
        "a regulator that has no droop to grow",
        FIRST_FLOAT,
        {
            "    criteria:\n": "    faults:\n      - {kind: regulator_droop, vehicle: wren}\n    criteria:\n",
            "seed: 1\n": "seed: 1\nswitched_off: [plenum_sag]\n",
        },
        f"{FIRST_FLOAT}:{LINE + 1}: runs[0].faults[0].vehicle is 'wren', allowed: a vehicle whose regulator droops "
        "(maximum_sag above 0, plenum_sag not switched off)",
    ),
    fault(
        "a camera that is off",
        "kind: camera_dark, vehicle: wren",
        ".vehicle is 'wren', allowed: a vehicle whose camera is on: none",
    ),
    fault(
        "after the time limit",
        "kind: table_tilt, at: 55.0",
        ".at is 55.0, allowed: less than 55 s, the time_limit",
    ),
    fault(
        "over before it begins",
        "kind: table_tilt, at: 5.0, until: 4.0",
        ".until is 4.0, allowed: at least 5.1 s, 0.1 s after at",
    ),
    fault(
        "over as it begins",
        "kind: table_tilt, at: 5.0, until: 5.0",
        ".until is 5.0, allowed: at least 5.1 s, 0.1 s after at",
    ),
    fault(
        "before the try",
        "kind: table_tilt, at: -1.0",
        ".at is -1.0, allowed: a number of at least 0.0 (When it begins, s after the try began)",
    ),
    fault(
        "a size that is none",
        "kind: valve_weak, vehicle: wren, valve: front_left_along, factor: -0.5",
        ".factor is -0.5, allowed: a number of at least 0.0 (Thrust as a share of what it was)",
    ),
    broken(
        "a fault of the plan that begins after every time limit",
        FIRST_FLOAT,
        {"runs:\n": "faults: [{kind: table_tilt, at: 60.0}]\nruns:\n"},
        f"{FIRST_FLOAT}:{TEXT[: TEXT.index('runs:')].count(chr(10)) + 1}: faults[0].at is 60.0, "
        "allowed: less than 55 s, the longest time_limit",
    ),
]


@pytest.mark.parametrize("case", CASES)
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
