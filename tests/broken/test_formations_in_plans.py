"""Formations and keep-out zones with one thing wrong in them."""

import pytest

from tests.broken.broken import FORMATION as PLAN
from tests.broken.broken import LAB, Broken, assert_told, broken

MARGIN = "at least 0.58 m: 0.52 m that the table requires and 0.06 m for where two vehicles really are"


def one_run(old, new):
    """The plan with its first run alone, and one edit."""
    text = (LAB / PLAN).read_text().partition("\n  - name: ring\n")[0] + "\n"
    assert old in text
    return text.replace(old, new, 1)


NAMES = [
    broken(
        "unknown formation",
        PLAN,
        {"formation: line, duration: 30.0": "formation: lime, duration: 30.0"},
        f"{PLAN}:41: runs[0].maneuvers.wren[0].formation is 'lime', allowed: a formation of the plan: line, ring, "
        "convoy",
    ),
    broken(
        "unknown vehicle",
        PLAN,
        {"[wren, siskin, dunlin]": "[wren, siskin, dunlin, robin]"},
        f"{PLAN}:22: formations.line.vehicles[3] is 'robin', allowed: a vehicle of the plan: wren, siskin, dunlin",
    ),
    broken(
        "a vehicle twice",
        PLAN,
        {"[wren, siskin, dunlin]": "[wren, siskin, dunlin, wren]"},
        f"{PLAN}:22: formations.line.vehicles[3] is 'wren', allowed: each vehicle once",
    ),
    broken(
        "someone else flies it",
        PLAN,
        {"[wren, siskin, dunlin]": "[wren, siskin]"},
        f"{PLAN}:43: runs[0].maneuvers.dunlin[0].formation is 'line', allowed: one with dunlin among its vehicles, "
        "which are wren, siskin",
    ),
    broken(
        "unknown leader",
        PLAN,
        {"frame: {kind: leader, vehicle: wren}": "frame: {kind: leader, vehicle: robin}"},
        f"{PLAN}:29: formations.convoy.frame.vehicle is 'robin', allowed: a vehicle of the plan: wren, siskin, dunlin",
    ),
    broken(
        "leader among its vehicles",
        PLAN,
        {"vehicles: [siskin, dunlin]": "vehicles: [siskin, dunlin, wren]", "y: 0.65}]": "y: 0.65}, {x: 2.0, y: 0.0}]"},
        f"{PLAN}:30: formations.convoy.vehicles[2] is 'wren', allowed: vehicles that take places; this one is the "
        "leader, whose pose is the frame",
    ),
    broken(
        "leader in a formation",
        PLAN,
        {"- {kind: hold, duration: 20.0}": "- {kind: formation, formation: line, duration: 20.0}"},
        f"{PLAN}:74: runs[2].maneuvers.wren[0].formation is 'line', allowed: none while wren leads convoy",
    ),
    broken(
        "too few places",
        PLAN,
        {"places: [{x: -0.75, y: 0.0, vehicle: siskin}, {x: -0.4, y: 0.65}]": "places: [{x: -0.75, y: 0.0}]"},
        f"{PLAN}:28: formations.convoy.slots.places is 1 places, allowed: places for 2 or more vehicles, as many as "
        "may take part",
    ),
    broken(
        "the place of someone else",
        PLAN,
        {"vehicle: siskin}": "vehicle: wren}"},
        f"{PLAN}:28: formations.convoy.slots.places[0].vehicle is 'wren', allowed: one of the formation's vehicles, "
        "which are siskin, dunlin",
    ),
    broken(
        "two places of one vehicle",
        PLAN,
        {"y: 0.65}]": "y: 0.65, vehicle: siskin}]"},
        f"{PLAN}:28: formations.convoy.slots.places[1].vehicle is 'siskin', allowed: a vehicle that has no place of "
        "its own yet",
    ),
    broken(
        "a moving frame without together",
        PLAN,
        {"time_limit: 120.0\n    together: true": "time_limit: 120.0"},
        f"{PLAN}:47: runs[1].together is False, allowed: true, as the frame of ring moves: what begins when must be "
        "known",
    ),
    broken(
        "no duration",
        PLAN,
        {"formation: line, duration: 30.0": "formation: line"},
        f"{PLAN}:41: runs[0].maneuvers.wren[0].duration is missing, allowed: a value (How long, way and keeping it "
        "together, s)",
    ),
    broken(
        "a formation that is no name",
        PLAN,
        {"formation: line, duration: 30.0": "formation: [line], duration: 30.0"},
        f"{PLAN}:41: runs[0].maneuvers.wren[0].formation is ['line'], allowed: a text (Which of the plan's formations)",
    ),
    broken(
        "unknown slots",
        PLAN,
        {"kind: line, spacing": "kind: row, spacing"},
        f"{PLAN}:20: formations.line.slots.kind is 'row', allowed: one of 'line', 'ring', 'list'",
    ),
    broken(
        "a velocity with a height on the table",
        PLAN,
        {"velocity: [0.008, 0.0]": "velocity: [0.008, 0.0, 0.0]"},
        f"{PLAN}:25: formations.ring.frame.velocity is [0.008, 0.0, 0.0], allowed: 2 components where place is table",
    ),
    broken(
        "corners the wrong way round",
        PLAN,
        {"high: [0.3, 1.3]": "high: [-0.4, 1.3]"},
        f"{PLAN}:15: keep_out[0].high is [-0.4, 1.3], allowed: as many coordinates as low, each larger",
    ),
    broken(
        "a box with a height on the table",
        PLAN,
        {"low: [-0.3, 1.0], high: [0.3, 1.3]": "low: [-0.3, 1.0, 0.0], high: [0.3, 1.3, 1.0]"},
        f"{PLAN}:15: keep_out[0].low is [-0.3, 1.0, 0.0], allowed: a corner of 2 coordinates where place is table",
    ),
    broken(
        "two zones of one name",
        PLAN,
        {"name: lamp stand": "name: trolley"},
        f"{PLAN}:16: keep_out[1].name is 'trolley', allowed: a name that is not taken yet",
    ),
]
SHAPES = [
    broken(
        "a line too narrow",
        PLAN,
        {"spacing: 0.8}": "spacing: 0.55}"},
        f"{PLAN}:20: formations.line.slots.spacing is 0.55, allowed: {MARGIN}",
    ),
    broken(
        "places of a list too near",
        PLAN,
        {"x: -0.4, y: 0.65}": "x: -0.6, y: 0.4}"},
        f"{PLAN}:28: formations.convoy.slots.places[1] is '0.427 m from place 0', allowed: {MARGIN}",
    ),
    broken(
        "a place too near to the leader",
        PLAN,
        {"{x: -0.75, y: 0.0, vehicle": "{x: -0.5, y: 0.0, vehicle"},
        f"{PLAN}:28: formations.convoy.slots is '0.5 m from the leader', allowed: {MARGIN}",
    ),
    broken(
        "a place outside the working area",
        PLAN,
        {"frame: {kind: point, x: 0.0, y: 0.0}": "frame: {kind: point, x: 1.0, y: 0.0}"},
        f"{PLAN}:43: runs[0].maneuvers.dunlin[0].formation is 'line', allowed: a formation in which the place of "
        "dunlin is in the working area; at (1.80, 0.00) it is 0.20 m outside",
    ),
    broken(
        "a place near a keep-out zone",
        PLAN,
        {"frame: {kind: point, x: 0.0, y: 0.0}": "frame: {kind: point, x: 0.0, y: 0.8}"},
        f"{PLAN}:42: runs[0].maneuvers.siskin[0].formation is 'line', allowed: a formation in which the place of "
        "siskin is 0.23 m or more from trolley; at (0.00, 0.80) it is 0.20 m from it",
    ),
    broken(
        "a frame that leaves the working area",
        PLAN,
        {"velocity: [0.008, 0.0]": "velocity: [0.03, 0.0]"},
        f"{PLAN}:60: runs[1].maneuvers.dunlin[1].formation is 'ring', allowed: a formation in which the place of "
        "dunlin is in the working area; at (2.20, 0.15), after 75 s, it is 0.60 m outside",
    ),
    broken(
        "a frame that moves too fast",
        PLAN,
        {"velocity: [0.008, 0.0]": "velocity: [0.07, 0.0]"},
        f"{PLAN}:25: formations.ring.frame.velocity is [0.07, 0.0], allowed: so slow that wren moves at most 0.063 m/s "
        "in its place; here 0.0751 m/s",
    ),
    broken(
        "a frame that turns too fast for its arms",
        PLAN,
        {"turn_deg: 0.6": "turn_deg: 8.0"},
        f"{PLAN}:25: formations.ring.frame.turn_deg is 8.0, allowed: so slow that wren moves at most 0.063 m/s in its "
        "place; here 0.0765 m/s",
    ),
    broken(
        "a frame that turns too fast for the thrust",
        PLAN,
        {"velocity: [0.008, 0.0], turn_deg: 0.6": "turn_deg: 10.7", "spacing: 0.85": "spacing: 0.58"},
        f"{PLAN}:25: formations.ring.frame.turn_deg is 10.7, allowed: at most 10.6 degrees/s, for which dunlin has the "
        "thrust 0.33 m from the origin",
    ),
    broken(
        "a leader that turns too fast",
        PLAN,
        {"{kind: translate, x: 0.4, y: 0.0, speed_limit: 0.04}": "{kind: rotate, heading_deg: 45.0}"},
        f"{PLAN}:78: runs[2].maneuvers.siskin[1].formation is 'convoy', allowed: a formation in which the place of "
        "siskin moves at most 0.063 m/s with wren; at (-1.10, -0.28), after 24 s, it is carried at 0.0785 m/s",
    ),
    broken(
        "a start in a keep-out zone",
        PLAN,
        {"name: lamp stand, x: 1.4, y: -1.1": "name: lamp stand, x: 0.9, y: -0.4"},
        f"{PLAN}:39: runs[0].start.dunlin is [0.9, -0.6], allowed: 0.2 m or more from lamp stand, the radius of "
        "dunlin; it is 0.15 m from it",
    ),
]
WAYS = [
    broken(
        "a criterion about zones without any",
        "plans/first-float.yaml",
        {"kind: gas_used, name: gas, limit_g": "kind: keep_out, name: gas, minimum"},
        "plans/first-float.yaml:49: runs[0].criteria[4] is 'gas', allowed: a keep_out only where the plan has keep-out "
        "zones",
    ),
    broken(
        "too little time",
        PLAN,
        {"formation: line, duration: 32.0": "formation: line, duration: 12.0"},
        f"{PLAN}:43: runs[0].maneuvers.dunlin[0].duration is 12.0, allowed: at least 18.9 s, which dunlin takes to its "
        "place",
    ),
    broken(
        "too little time to turn",
        PLAN,
        one_run("x: 0.0, y: 0.0}", "x: 0.0, y: 0.0, heading_deg: 180.0}"),
        f"{PLAN}:41: runs[0].maneuvers.wren[0].duration is 30.0, allowed: at least 46 s, which wren takes to its place",
    ),
    broken(
        "others take longer while a frame moves",
        PLAN,
        {"duration: 35.0": "duration: 20.0"},
        f"{PLAN}:57: runs[1].maneuvers.siskin[1].duration is 20.0, allowed: at least 35 s, which dunlin takes at the "
        "same time: the formation moves on meanwhile",
    ),
    broken(
        "the leader takes longer",
        PLAN,
        {"formation: convoy, duration: 30.0": "formation: convoy, duration: 15.0"},
        f"{PLAN}:78: runs[2].maneuvers.siskin[1].duration is 15.0, allowed: at least 23.3 s, which wren takes at the "
        "same time: the formation moves on meanwhile",
    ),
    broken(
        "a wall in between",
        PLAN,
        one_run("low: [-0.3, 1.0], high: [0.3, 1.3]", "low: [-1.6, -0.31], high: [1.6, -0.3]"),
        f"{PLAN}:41: runs[0].maneuvers.wren[0].formation is 'line', allowed: a formation that can be reached from "
        "where its vehicles are: no ways were found that keep 0.52 m from every vehicle and clear of zones",
    ),
    broken(
        "a move through a keep-out zone",
        PLAN,
        {"name: lamp stand, x: 1.4, y: -1.1": "name: lamp stand, x: -0.55, y: -0.95"},
        f"{PLAN}:54: runs[1].maneuvers.wren[1] is 'translate', allowed: a way that keeps 0.2 m from lamp stand, the "
        "radius of wren; after 52 s it is 0.04 m from it",
    ),
]


@pytest.mark.parametrize("case", [*NAMES, *SHAPES, *WAYS])
def test_is_told_in_one_clear_line(case: Broken, tmp_path, monkeypatch):
    assert_told(case, tmp_path, monkeypatch)
