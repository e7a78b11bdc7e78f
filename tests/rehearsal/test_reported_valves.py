"""An estimator that goes by the valves reported open knows of one that sticks; one that goes by commands does not."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.description.estimation import EstimatorSettings
from testbed.description.faults import from_words
from testbed.plan.configuration import load_configuration
from testbed.plan.criteria_schema import PositionError
from testbed.plan.maneuvers import Hold, Translate
from testbed.record.load import load
from testbed.rehearsal.lockstep import rehearse_in_engine
from tests.nodes.sessions import SMALL_PLANS

STUCK = from_words("valve_stuck_closed wren front_left_along")
NEAR = PositionError(kind="position_error", name="near its goal", limit=0.3)
MANEUVERS = (
    Hold(kind="hold", duration=2.0),
    Translate(kind="translate", x=-0.6, y=-0.3, speed_limit=0.06),
)


def flown(folder, valve_forces, *faults):
    """Wren's recording of a move of one metre."""
    configuration = load_configuration(SMALL_PLANS / "faults.yaml")
    run = {"maneuvers": {"wren": MANEUVERS}, "time_limit": 60.0, "faults": faults, "criteria": (NEAR,)}
    plan = configuration.plan
    plan = plan.model_copy(update={"faults": (), "runs": (plan.runs[0].model_copy(update=run),)})
    settings = EstimatorSettings(valve_forces=valve_forces)
    vehicles = {name: one.model_copy(update={"estimator": settings}) for name, one in configuration.vehicles.items()}
    rehearse_in_engine(replace(configuration, plan=plan, vehicles=vehicles), folder / valve_forces)
    return load(folder / valve_forces).vehicles["wren"]


def speed_error(recording):
    """Root mean square of the error of the velocity, m/s, from 10 s on: found, and the valve stuck for long."""
    known, true = (one[one["stamp"] > 10_000_000_000] for one in (recording.odometry, recording.truth))
    assert np.array_equal(known["stamp"], true["stamp"])
    wrong = known["linear_velocity"] - true["linear_velocity"]
    return float(np.sqrt(np.mean(np.sum(wrong**2, axis=1))))


def test_a_stuck_valve_disturbs_only_who_goes_by_commands(tmp_path):
    stuck = STUCK.model_copy(update={"at": 2.0})
    commanded, reported = (speed_error(flown(tmp_path, way, stuck)) for way in ("commanded", "reported"))
    assert reported < 0.002
    assert commanded > 4.0 * reported


def test_with_whole_valves_both_are_the_same(tmp_path):
    commanded, reported = (flown(tmp_path, way) for way in ("commanded", "reported"))
    for field in ("position", "orientation", "linear_velocity"):
        assert reported.odometry[field] == pytest.approx(commanded.odometry[field], abs=1e-9)
    assert reported.valves.edges() == commanded.valves.edges() > 100
