"""The plan in the cabin, flown in the engine: six axes, against Coriolis, tide and air."""

from pathlib import Path

import pytest

from testbed.description.effects import Effect
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.lockstep import LockstepRehearsal, rehearse_in_engine

PLAN = Path(__file__).resolve().parents[2] / "config" / "plans" / "cabin-float.yaml"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_vehicle_holds_moves_and_turns(seed):
    sequence = rehearse_in_engine(load_configuration(PLAN, seed), None)
    assert sequence.passed, [one.reason for result in sequence.results for one in result.tries]
    assert len(sequence.results[0].tries) == 1


def test_the_orbit_that_flight_code_is_told_of_is_not_taken_for_a_bias():
    """The gyro feels the orbit, 0.065 degrees/s; the cabin file tells the estimator of it."""
    configuration = load_configuration(PLAN)
    # receivers keep their cones, by which flight code tells which way a vehicle points
    others = set(Effect) - {Effect.ORBIT_FRAME, Effect.RECEIVER_CONE}
    plan = configuration.plan.model_copy(update={"switched_off": tuple(others)})
    rehearsal = LockstepRehearsal(type(configuration)(**{**vars(configuration), "plan": plan}))
    for _ in range(280):  # until it is nearly there, before it turns
        rehearsal.step()
    bias = rehearsal.flight.estimator_state[0]["now"]["gyro_bias"]
    assert bias == pytest.approx([0.0, 0.0, 0.0], abs=3e-4)
