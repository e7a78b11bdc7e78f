"""Each imperfection of contact alone: a blow against its closed form."""

import math

import numpy as np
import pytest

from testbed.description.effects import Effect
from testbed.description.rotation import from_heading
from tests.model.docking import docker
from tests.model.effects.alone import plant_with
from tests.model.scene import CABIN, FLAT, LEVEL, SILENCE, START, a_vehicle, run, set_motion

MASS, INERTIA, RADIUS = 13.0, 0.24, 0.20
FRICTION, RESTITUTION = 0.2, 0.5


def blow(*effects, velocity, room=FLAT, x=1.59):
    """The state after a blow on the edge at x = 1.8 m."""
    plant = plant_with(*effects, vehicles=[a_vehicle()], room=room, noise=SILENCE)
    plant.place(0, np.array([x, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=velocity)
    run(plant, 80)
    return plant.states[0]


def friction_takes_its_share_of_the_normal_impulse_and_turns_the_disc():
    state = blow(Effect.CONTACT_FRICTION, velocity=(0.05, 0.3, 0.0))
    taken = FRICTION * 2.0 * 0.05  # elastic: the normal impulse is 2·m·v
    assert state["velocity"][0] == pytest.approx(-0.05, rel=1e-4)
    assert 0.3 - state["velocity"][1] == pytest.approx(taken, rel=0.01)
    # a disc at +x that slides towards +y is braked at its right rim
    assert state["rate"][2] == pytest.approx(-MASS * taken * RADIUS / INERTIA, rel=0.01)


def damping_takes_all_but_the_restitution():
    for stiff in (False, True):
        room = FLAT.model_copy(update={"edges": "hard" if stiff else "soft"})
        state = blow(Effect.CONTACT_DAMPING, velocity=(0.05, 0.0, 0.0), room=room)
        assert state["velocity"][0] == pytest.approx(-(0.7 if stiff else 0.4) * 0.05, rel=2e-3)
    wall = blow(Effect.CONTACT_DAMPING, velocity=(0.05, 0.0, 0.0), room=CABIN, x=1.85)
    assert wall["velocity"][0] == pytest.approx(-0.4 * 0.05, rel=2e-3)
    for heading, restitution in ((0.0, RESTITUTION), (math.pi, 0.3)):  # carriages, then ports
        plant = plant_with(Effect.CONTACT_DAMPING, vehicles=[docker("wren"), docker("dunlin")], noise=SILENCE)
        turn = np.array(from_heading(0.5 * math.pi if heading == 0.0 else 0.0))
        plant.place(0, np.array([-0.22, 0.0, 0.0]), turn, START)
        plant.place(1, np.array([0.22, 0.0, 0.0]), turn, START)
        set_motion(plant, 0, velocity=(0.05, 0.0, 0.0))
        run(plant, 120)
        apart = plant.states["velocity"][1, 0] - plant.states["velocity"][0, 0]
        assert apart == pytest.approx(restitution * 0.05, rel=2e-3)


CASES = {
    Effect.CONTACT_FRICTION: friction_takes_its_share_of_the_normal_impulse_and_turns_the_disc,
    Effect.CONTACT_DAMPING: damping_takes_all_but_the_restitution,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_with_everything_off_a_blow_is_elastic_and_slides():
    state = blow(velocity=(0.05, 0.3, 0.0))
    assert state["velocity"][:2] == pytest.approx((-0.05, 0.3), rel=1e-4)
    assert state["rate"][2] == 0.0
