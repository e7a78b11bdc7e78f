"""Contact against closed forms of impact mechanics.

Velocities of two bodies with a coefficient of restitution, and the peak force sqrt(m·k)·v and duration pi·sqrt(m/k) of
an elastic contact: any textbook on dynamics, e.g. Goldsmith, Impact (1960); from memory.
"""

import math

import numpy as np
import pytest

from tests.model.scene import FLAT, LEVEL, START, a_plant, run, set_motion, steady


def discs(restitution, masses=(13.0, 13.0), stiffness=(8000.0, 8000.0)):
    vehicles = []
    for name, mass, spring in zip(("wren", "dunlin"), masses, stiffness, strict=True):
        vehicle = steady(name)
        shape = vehicle.shape.model_copy(update={"restitution": restitution, "bumper_stiffness": spring})
        floor = vehicle.floor.model_copy(update={"mass": mass})
        vehicles.append(vehicle.model_copy(update={"shape": shape, "floor": floor}))
    plant = a_plant(*vehicles)
    plant.place(0, np.array([-0.21, 0.0, 0.0]), LEVEL, START)
    plant.place(1, np.array([0.21, 0.0, 0.0]), LEVEL, START)
    return plant


@pytest.mark.parametrize("masses", [(13.0, 13.0), (12.6, 13.3), (4.0, 40.0)], ids=str)
@pytest.mark.parametrize("restitution", [0.2, 0.5, 0.9])
def test_two_discs_leave_with_the_velocities_of_the_closed_form(masses, restitution):
    plant = discs(restitution, masses)
    before = (0.08, -0.05)
    for index in range(2):
        set_motion(plant, index, velocity=(before[index], 0.0, 0.0))
    run(plant, 150)
    m1, m2 = masses
    centre = (m1 * before[0] + m2 * before[1]) / (m1 + m2)
    closing = before[0] - before[1]
    expected = centre - restitution * closing * m2 / (m1 + m2), centre + restitution * closing * m1 / (m1 + m2)
    assert plant.states["velocity"][:, 0] == pytest.approx(expected, abs=1e-3 * closing)


@pytest.mark.parametrize("masses", [(13.0, 13.0), (12.6, 13.3)], ids=str)
@pytest.mark.parametrize("speed", [0.02, 0.07, 0.3])
def test_the_peak_force_of_an_elastic_head_on_contact_is_sqrt_mk_times_speed(masses, speed):
    plant = discs(1.0, masses)
    set_motion(plant, 0, velocity=(speed, 0.0, 0.0))
    set_motion(plant, 1, velocity=(-speed, 0.0, 0.0))
    run(plant, 50 + round(0.05 / speed * 100))
    (contact,) = plant.take_contacts()
    effective = masses[0] * masses[1] / (masses[0] + masses[1])
    assert contact.peak_force == pytest.approx(math.sqrt(effective * 8000.0) * 2.0 * speed, rel=1e-3)
    assert contact.impulse == pytest.approx(2.0 * effective * 2.0 * speed, rel=1e-3)


def test_the_peak_force_at_an_elastic_edge_is_sqrt_mk_times_speed():
    plant = a_plant(steady(), room=FLAT)
    plant.world[0]["edge_restitution"] = 1.0
    plant.place(0, np.array([1.59, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0))
    run(plant, 60)
    (contact,) = plant.take_contacts()
    assert contact.peak_force == pytest.approx(math.sqrt(13.0 * 8000.0) * 0.07, rel=1e-3)
    assert plant.states[0]["velocity"][0] == pytest.approx(-0.07, rel=1e-4)


def test_an_elastic_contact_lasts_half_a_period_of_the_spring():
    plant = a_plant(steady(), room=FLAT)
    plant.world[0]["edge_restitution"] = 1.0
    plant.place(0, np.array([1.59, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0))
    run(plant, 60)
    # at rest again where it began after the way to the edge, the contact, and the way back
    travelled = 0.6 - math.pi * math.sqrt(13.0 / 8000.0)
    assert plant.states[0]["position"][0] == pytest.approx(1.6 - 0.07 * (travelled - 0.01 / 0.07), abs=1e-5)


def oblique(speed_along, spin=0.0, friction=0.2, restitution=0.6):
    """A disc that meets the edge at 0.1 m/s while it slides along it; state afterwards, and what remains of sliding."""
    vehicle = steady()
    shape = vehicle.shape.model_copy(update={"friction": friction})
    room = FLAT.model_copy(update={"edge_restitution": restitution})
    plant = a_plant(vehicle.model_copy(update={"shape": shape}), room=room)
    plant.place(0, np.array([1.595, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.1, speed_along, 0.0), rate=(0.0, 0.0, spin))
    run(plant, 60)
    state = plant.states[0]
    return state, state["velocity"][1] + 0.2 * state["rate"][2]


@pytest.mark.parametrize("restitution", [0.3, 0.6, 0.9])
@pytest.mark.parametrize("friction", [0.05, 0.2])
def test_a_disc_that_slides_through_a_blow_loses_the_share_of_coulomb(friction, restitution):
    """Sliding throughout: friction's impulse is mu·m·(1 + e)·v (rigid-body impact, e.g. Brach 1991; from memory)."""
    state, sliding = oblique(0.5, friction=friction, restitution=restitution)
    taken = friction * (1.0 + restitution) * 0.1
    assert sliding > 0.05
    assert 0.5 - state["velocity"][1] == pytest.approx(taken, rel=5e-3)
    # the bumper yields: the arm is shorter than the radius by half of up to 4 mm
    assert state["rate"][2] == pytest.approx(-13.0 * taken * 0.2 / 0.24, rel=1e-2)


@pytest.mark.parametrize(("along", "spin"), [(0.02, 0.0), (0.0, 0.15), (-0.02, 0.05)])
def test_a_disc_with_friction_enough_leaves_rolling(along, spin):
    """Sliding ends during the blow: the rim's speed goes to zero, s/(1 + m·r²/I) of it out of the centre's."""
    state, sliding = oblique(along, spin)
    before = along + 0.2 * spin
    assert abs(sliding) < 0.02 * abs(before)
    share = before / (1.0 + 13.0 * 0.2**2 / 0.24)
    assert along - state["velocity"][1] == pytest.approx(share, rel=0.03)
