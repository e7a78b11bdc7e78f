"""Vehicles that no file describes, in worlds that are not as they believe, fly the first plans in the engine."""

from dataclasses import replace

import numpy as np
import pytest

from testbed.description.locate import locate
from testbed.plan.configuration import load_configuration
from testbed.rehearsal.lockstep import LockstepRehearsal
from tests.drawn.vehicles import drawn_vehicle, drawn_world


@pytest.mark.parametrize("plan", ["first-float", "cabin-float"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_drawn_vehicle_flies_the_plan_where_not_all_is_as_it_believes(plan, seed):
    generator = np.random.default_rng(seed)
    files = load_configuration(locate(f"plans/{plan}.yaml"), seed)
    vehicles = {name: drawn_vehicle(generator, one) for name, one in files.vehicles.items()}
    believed = replace(files, vehicles=vehicles)
    rehearsal = LockstepRehearsal(believed, drawn_world(generator, believed))
    masses = [one.mass_properties(files.place).mass for one in vehicles.values()]
    assert 1.0 / rehearsal.plant.states["body_inverse_mass"][:, 0] != pytest.approx(masses, rel=1e-4)
    while not rehearsal.sequence.finished:
        rehearsal.step()
    tries = [one for result in rehearsal.sequence.results for one in result.tries]
    assert rehearsal.sequence.passed, [one.reason for one in tries]
