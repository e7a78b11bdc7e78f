"""Limits for the guard that cannot be: of the plan against itself, its vehicles, its room and its maneuvers."""

import pytest

from tests.broken.broken import FIRST_FLOAT, Broken, assert_told, broken

SEED = "seed: 1\n"


def limits(text):
    """The edit that gives a plan these limits, on the line after its seed."""
    return {SEED: f"{SEED}limits: {text}\n"}


CASES = [
    broken(
        "faster than the vehicle",
        FIRST_FLOAT,
        limits("{speed: 0.08}"),
        "plans/first-float.yaml:12: limits.speed is 0.08, allowed: at most 0.07 m/s, the floor_speed of wren",
    ),
    broken(
        "spins faster than the vehicle",
        FIRST_FLOAT,
        limits("{spin_deg: 20.0}"),
        "plans/first-float.yaml:12: limits.spin_deg is 20.0, allowed: at most 15 degrees/s, the rate_deg of wren",
    ),
    broken(
        "more contact energy than the bumper takes",
        FIRST_FLOAT,
        limits("{contact_energy: 0.1}"),
        "plans/first-float.yaml:12: limits.contact_energy is 0.1, allowed: at most 0.07656 J, which the bumper of wren "
        "takes up at its contact_force",
    ),
    broken(
        "no speed at all",
        FIRST_FLOAT,
        limits("{speed: 0.0}"),
        "plans/first-float.yaml:12: limits.speed is 0.0, allowed: a number above 0.0 (Largest speed of the "
        "centre of mass, m/s)",
    ),
    broken(
        "corners the wrong way round",
        FIRST_FLOAT,
        limits("{work_area: [[1.0, -1.0], [-1.0, 1.0]]}"),
        "plans/first-float.yaml:12: limits.work_area is [[1.0, -1.0], [-1.0, 1.0]], allowed: [lower corner, upper "
        "corner], each coordinate of the first smaller",
    ),
    broken(
        "a height on the table",
        FIRST_FLOAT,
        limits("{work_area: [[-1.0, -1.0, 0.0], [1.0, 1.0, 1.0]]}"),
        "plans/first-float.yaml:12: limits.work_area is [[-1.0, -1.0, 0.0], [1.0, 1.0, 1.0]], allowed: corners of 2 "
        "coordinates where place is table",
    ),
    broken(
        "work area larger than the table's",
        FIRST_FLOAT,
        limits("{work_area: [[-1.0, -1.0], [1.7, 1.0]]}"),
        "plans/first-float.yaml:12: limits.work_area is [[-1.0, -1.0], [1.7, 1.0]], allowed: within [[-1.6, -1.3], "
        "[1.6, 1.3]], where the table lets wren be",
    ),
    broken(
        "a goal outside the work area",
        FIRST_FLOAT,
        limits("{work_area: [[-0.5, -0.5], [0.2, 0.5]]}"),
        "plans/first-float.yaml:42: runs[0].maneuvers.wren[1].x is 0.25, allowed: -0.5 to 0.2 m, the work_area of "
        "limits",
    ),
    broken(
        "a start outside the work area",
        FIRST_FLOAT,
        limits("{work_area: [[-0.2, -0.5], [0.5, 0.5]]}"),
        "plans/first-float.yaml:38: runs[0].start.wren.x is -0.25, allowed: -0.2 to 0.5 m, the work_area of limits",
    ),
    broken(
        "a move faster than the plan's own limit",
        FIRST_FLOAT,
        limits("{speed: 0.05}"),
        "plans/first-float.yaml:42: runs[0].maneuvers.wren[1].speed_limit is 0.06, allowed: at most 0.05 m/s, the "
        "speed of limits",
    ),
    broken(
        "a turn faster than the plan's own limit",
        FIRST_FLOAT,
        limits("{spin_deg: 5.0}"),
        "plans/first-float.yaml:43: runs[0].maneuvers.wren[2].rate_limit_deg is 6.0, allowed: at most 4.5 degrees/s, "
        "nine tenths of 5, the spin_deg of limits: turns overshoot a little",
    ),
    broken(
        "a move with more energy than allowed",
        FIRST_FLOAT,
        limits("{contact_energy: 0.01}"),
        "plans/first-float.yaml:42: runs[0].maneuvers.wren[1].speed_limit is 0.06, allowed: at most 0.0398 m/s, at "
        "which wren has the contact_energy of 0.01 J",
    ),
    broken(
        "a limit that nobody knows",
        FIRST_FLOAT,
        limits("{acceleration: 0.1}"),
        "plans/first-float.yaml:12: limits.acceleration is 0.1, allowed: no such key; known are contact_energy, "
        "separation, speed, spin_deg, work_area",
    ),
    broken(
        "a waypoint that comes too soon for the limit",
        FIRST_FLOAT,
        limits("{speed: 0.02}")
        | {
            "{kind: translate, x: 0.25, y: 0.0, speed_limit: 0.06}": (
                "{kind: track, waypoints: [{time: 0.0, x: -0.25, y: 0.0}, {time: 20.0, x: 0.25, y: 0.0}]}"
            )
        },
        "plans/first-float.yaml:42: runs[0].maneuvers.wren[1].waypoints[1].time is 20.0, allowed: at least 25.0 s, as "
        "at most 0.02 m/s are allowed, the speed of limits",
    ),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES)
def test_limits_that_cannot_be_are_told(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
