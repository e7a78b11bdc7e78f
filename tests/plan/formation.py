"""Configurations with formations in them, for tests: the demo's vehicles, one run."""

from dataclasses import replace

from testbed.plan.formation_schema import Formation
from testbed.plan.schema import Plan, Run
from tests.plan.world import configuration

START = {"wren": {"x": -1.0, "y": -0.6}, "siskin": {"x": 0.0, "y": 0.7}, "dunlin": {"x": 1.0, "y": -0.6}}
CRITERIA = [{"kind": "separation", "name": "apart", "minimum": 0.52}]
LINE = {
    "slots": {"kind": "line", "spacing": 0.8},
    "frame": {"kind": "point", "x": 0.1, "y": 0.2},
    "vehicles": ["wren", "siskin", "dunlin"],
}
RING = {
    "slots": {"kind": "ring", "spacing": 0.8},
    "frame": {"kind": "moving", "x": -0.2, "y": 0.0, "heading_deg": 30.0, "velocity": [0.01, 0.004], "turn_deg": 1.0},
    "vehicles": ["wren", "siskin", "dunlin"],
    "heading_deg": 90.0,
}
CONVOY = {
    "slots": {"kind": "list", "places": [{"x": -0.7, "y": 0.0}, {"x": 0.0, "y": 0.7, "heading_deg": 180.0}]},
    "frame": {"kind": "leader", "vehicle": "wren"},
    "vehicles": ["siskin", "dunlin"],
}


def fly(name, duration=40.0):
    return {"kind": "formation", "formation": name, "duration": duration}


def session(formations, maneuvers, start=None, keep_out=(), together=True, name="demo"):
    """One run with these maneuvers by vehicle; as plain data, like in a file."""
    lab = configuration(name)
    run = Run.model_validate(
        {
            "name": "only", "purpose": "A test.", "time_limit": 600.0, "together": together, "criteria": CRITERIA,
            "start": start or START, "maneuvers": maneuvers,
        }
    )  # fmt: skip
    given = {key: Formation.model_validate(one) for key, one in formations.items()}
    plan = Plan.model_validate(lab.plan.model_dump() | {"keep_out": list(keep_out), "objectives": []})
    return replace(lab, plan=plan.model_copy(update={"runs": (run,), "formations": given}))
