"""The plant's invariants over hundreds of draws, and its conservation laws over an hour."""

import numpy as np
import pytest

from tests.external.test_conservation import FAST_SPIN, LOPSIDED, OPEN, relative
from tests.model import test_invariants as invariants
from tests.model.effects.alone import plant_with
from tests.model.mechanics import kinetic_energy, spin_momentum
from tests.model.scene import run, set_motion, steady

FIRST_SEED = 10_000
DRAWS = 300
PROPERTIES = (
    invariants.test_without_thrust_energy_never_grows,
    invariants.test_whatever_they_do_to_each_other_momentum_stays,
    invariants.test_orientations_stay_of_unit_length,
    invariants.test_nothing_leaves_the_room,
)


@pytest.mark.parametrize("place", ["table", "cabin"])
@pytest.mark.parametrize("holds", PROPERTIES, ids=lambda one: one.__name__.removeprefix("test_"))
def test_it_holds_for_hundreds_of_draws(holds, place, figure):
    for seed in range(FIRST_SEED, FIRST_SEED + DRAWS):
        holds.hypothesis.inner_test(place=place, count=2 + seed % 15, seed=seed)
    figure(f"{holds.__name__.removeprefix('test_').replace('_', ' ')}, {place}", f"{DRAWS} of {DRAWS} draws")


def test_energy_and_momentum_of_an_hour_of_tumbling(figure):
    plant = plant_with(vehicles=[steady(flight=LOPSIDED)], room=OPEN)
    set_motion(plant, 0, velocity=(0.1, -0.1, 0.1), rate=FAST_SPIN * np.array([0.48, -0.6, 0.64]))
    angular, energy = spin_momentum(plant, 0), kinetic_energy(plant)
    run(plant, 360_000)
    momentum, work = relative(spin_momentum(plant, 0), angular), relative(kinetic_energy(plant), energy)
    figure(
        "an hour of tumbling at 150 degrees/s: angular momentum and energy changed by", f"{momentum:.0e}, {work:.0e}"
    )
    assert max(momentum, work) < 1e-8
