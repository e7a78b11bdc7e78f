"""Contact: momentum, restitution, friction, no tunnelling, what is logged."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from testbed.model.contact import restitution_damping
from testbed.model.plant import Contact
from tests.model.mechanics import free_momentum
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, a_schedule, run, set_motion, steady
from tests.model.test_tumbling import LOPSIDED


def bumpers(**changes):
    return steady().shape.model_copy(update=changes)


def two_discs(gap=0.01, speed=0.1, offset=0.0, room=FLAT, **changes):
    """Two vehicles, the first moving along x towards the second, which rests; `offset` is sideways."""
    shape = bumpers(**changes)
    plant = a_plant(steady("wren", shape=shape), steady("dunlin", shape=shape), room=room)
    reach = 2.0 * plant.vehicles[0]["contact_radius"]
    distance = math.sqrt(reach**2 - offset**2) + gap
    plant.place(0, np.array([-distance / 2, offset, 0.0]), LEVEL, START)
    plant.place(1, np.array([distance / 2, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(speed, 0.0, 0.0))
    return plant


@pytest.mark.parametrize("restitution", [0.05, 0.3, 0.5, 0.8, 0.95])
@pytest.mark.parametrize("speed", [0.01, 0.1, 0.7])
def test_two_discs_part_with_their_coefficient_of_restitution(restitution, speed):
    plant = two_discs(speed=speed, restitution=restitution)
    run(plant, 60 + int(2.0 / speed))
    first, second = plant.states["velocity"][:, 0]
    assert (second - first) / speed == pytest.approx(restitution, abs=1e-3)


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@pytest.mark.parametrize("offset", [0.0, 0.05, 0.12])
def test_contact_conserves_momentum_and_angular_momentum(room, offset):
    plant = two_discs(speed=0.3, offset=offset, room=room)
    set_motion(plant, 1, rate=(0.0, 0.0, 0.2))
    before = free_momentum(plant)
    run(plant, 80)
    assert plant.take_contacts()
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())


def test_spheres_with_their_mass_off_centre_conserve_momentum_too():
    plant = a_plant(steady("wren", flight=LOPSIDED), steady("dunlin", flight=LOPSIDED), room=CABIN)
    plant.place(0, np.array([-0.15, 0.03, 0.02]), LEVEL, START)
    plant.place(1, np.array([0.15, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.1, 0.0, 0.0), rate=(0.1, 0.2, -0.1))
    before = free_momentum(plant)
    run(plant, 100)
    assert len(plant.take_contacts()) == 1
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())


def test_contact_never_makes_energy():
    plant = two_discs(speed=0.2, offset=0.1)
    set_motion(plant, 1, rate=(0.0, 0.0, 0.25))

    def energy():
        turning = plant.vehicles["inertia"][:, 2, 2] * plant.states["rate"][:, 2] ** 2
        return float(
            np.sum(0.5 * plant.vehicles["mass"] * np.sum(plant.states["velocity"] ** 2, axis=1) + 0.5 * turning)
        )

    before = energy()
    run(plant, 80)
    assert energy() < before


@pytest.mark.parametrize("speed", [0.07, 0.7])
@pytest.mark.parametrize("heading", np.arange(0.0, 360.0, 40.0))
def test_nothing_leaves_the_table_even_at_ten_times_the_speed_limit(speed, heading):
    plant = a_plant(steady())
    angle = math.radians(heading)
    set_motion(plant, 0, velocity=(speed * math.cos(angle), speed * math.sin(angle), 0.0), rate=(0.0, 0.0, 0.1))
    depth = speed * math.sqrt(13.0 / FLAT.edge_stiffness)  # the elastic penetration, the deepest possible

    def stays(_):
        position = plant.states[0]["position"]
        assert FLAT.distance_to_edge((position[0], position[1])) > 0.2 - 1.01 * depth

    run(plant, 3000, each=stays)
    assert plant.take_contacts()


def test_vehicles_do_not_pass_through_each_other_at_ten_times_the_speed_limit():
    plant = two_discs(gap=0.5, speed=0.7)
    set_motion(plant, 1, velocity=(-0.7, 0.0, 0.0))
    nearest = []
    run(plant, 150, each=lambda _: nearest.append(plant.states[1]["position"][0] - plant.states[0]["position"][0]))
    assert min(nearest) > 0.40 - 1.4 * math.sqrt(6.5 / 8000.0)
    assert plant.states[0]["velocity"][0] < 0.0 < plant.states[1]["velocity"][0]


def test_the_edge_returns_a_vehicle_with_the_edges_restitution():
    plant = a_plant(steady())
    plant.place(0, np.array([1.55, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0))
    run(plant, 200)
    assert plant.states[0]["velocity"][0] == pytest.approx(-0.4 * 0.07, rel=1e-3)
    assert plant.states[0]["velocity"][1] == 0.0


def test_what_is_logged_is_the_impulse_that_the_bodies_exchanged():
    plant = two_discs(speed=0.1)
    run(plant, 80)
    contacts = plant.take_contacts()
    assert contacts == [Contact(0, 1, contacts[0].stamp, contacts[0].peak_force, contacts[0].impulse)]
    assert contacts[0].impulse == pytest.approx(13.0 * plant.states[1]["velocity"][0], rel=1e-12)
    assert START + 100_000_000 <= contacts[0].stamp <= START + 102_000_000
    assert plant.take_contacts() == []


def test_a_touch_of_the_edge_is_logged_without_a_partner():
    plant = a_plant(steady())
    plant.place(0, np.array([0.0, -1.25, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.0, -0.07, 0.0))
    run(plant, 150)
    (contact,) = plant.take_contacts()
    assert (contact.first, contact.second) == (0, None)
    assert contact.impulse == pytest.approx(13.0 * 0.07 * 1.4, rel=2e-3)


def test_friction_at_a_glancing_edge_slows_the_sliding_by_no_more_than_coulomb():
    plant = a_plant(steady())
    plant.place(0, np.array([0.0, -1.25, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.2, -0.07, 0.0))
    run(plant, 150)
    (contact,) = plant.take_contacts()
    lost = 13.0 * (0.2 - plant.states[0]["velocity"][0])
    assert 0.98 * 0.2 * contact.impulse < lost <= 0.2 * contact.impulse
    # the bumper's force turns the disc by its radius
    assert plant.states[0]["rate"][2] == pytest.approx(-lost * 0.2 / 0.24, rel=2e-2)


def test_without_friction_a_glancing_contact_turns_nothing():
    plant = two_discs(speed=0.2, offset=0.1, friction=0.0)
    run(plant, 80)
    assert np.allclose(plant.states["rate"], 0.0, rtol=0.0, atol=1e-15)


def test_leaning_on_the_edge_comes_to_rest():
    plant = a_plant(steady())
    plant.place(0, np.array([1.599, 0.0, 0.0]), LEVEL, START)
    for k in range(1000):
        now = START + k * 10_000_000
        if k % 15 == 0:
            plant.accept_schedule(0, a_schedule(now, (0.0, (0, 3)), (0.19, ())), now)
        run(plant, 1, now)
    assert np.abs(plant.states[0]["velocity"]).max() < 2e-5
    assert plant.states[0]["position"][0] == pytest.approx(1.6, abs=1e-4)


def test_contact_between_others_leaves_a_third_alone():
    alone, company = a_plant(steady()), a_plant(steady(), steady("dunlin"), steady("siskin"))
    for plant in (alone, company):
        plant.place(0, np.array([0.0, 1.0, 0.0]), LEVEL, START)
        set_motion(plant, 0, velocity=(0.01, 0.0, 0.0), rate=(0.0, 0.0, 0.1))
    company.place(1, np.array([-0.21, -0.5, 0.0]), LEVEL, START)
    company.place(2, np.array([0.21, -0.5, 0.0]), LEVEL, START)
    set_motion(company, 1, velocity=(0.1, 0.0, 0.0))
    run(alone, 80)
    run(company, 80)
    assert len(company.take_contacts()) == 1
    for field in ("centre", "orientation", "velocity", "rate"):
        assert np.array_equal(alone.states[0][field], company.states[0][field])


@settings(deadline=None)
@given(st.floats(0.04, 0.999))
def test_damping_solves_the_equation_of_restitution(restitution):
    d = restitution_damping(restitution)
    assert 0.0 < d < 1.0 / restitution
    # d·(1 + e) = ln((1 + d)/(1 - e·d)), written without the near-zero denominator of soft contacts
    assert 1.0 - restitution * d == pytest.approx((1.0 + d) * math.exp(-d * (1.0 + restitution)), abs=1e-13)


def test_an_elastic_contact_is_not_damped_and_an_impossible_one_is_refused():
    assert restitution_damping(1.0) == 0.0
    for impossible in (0.0, -0.1, 0.039, 1.1):
        with pytest.raises(ValueError, match="restitution"):
            restitution_damping(impossible)


@pytest.mark.parametrize("normal", [0, 1, 2], ids="xyz")
@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_every_wall_of_the_cabin_returns_a_vehicle_with_its_restitution(normal, side):
    plant = a_plant(steady(), room=CABIN)
    position, velocity = np.zeros(3), np.zeros(3)
    position[normal], velocity[normal] = side * (CABIN.size[normal] / 2.0 - 0.15), side * 0.1
    plant.place(0, position, LEVEL, START)
    set_motion(plant, 0, velocity=velocity)
    run(plant, 100)
    (contact,) = plant.take_contacts()
    assert (contact.first, contact.second) == (0, None)
    assert plant.states[0]["velocity"] == pytest.approx(-0.4 * velocity, abs=1e-4)
    assert contact.impulse == pytest.approx(6.0 * 0.1 * 1.4, rel=1e-3)


def test_in_a_corner_of_the_cabin_each_wall_pushes_for_itself():
    plant = a_plant(steady(), room=CABIN)
    plant.place(0, np.array(CABIN.size) / 2.0 - 0.145, LEVEL, START)
    set_motion(plant, 0, velocity=(0.1, 0.1, 0.1))
    run(plant, 60)
    assert len(plant.take_contacts()) == 3
    assert np.all(plant.states[0]["velocity"] < -0.03)


@pytest.mark.parametrize("stiffness", [8e3, 6e4, 1e6])
@pytest.mark.parametrize("restitution", [0.3, 0.7, 0.95])
def test_edges_as_hard_as_any_that_may_be_described_keep_their_restitution(stiffness, restitution):
    room = FLAT.model_copy(update={"edge_stiffness": stiffness, "edge_restitution": restitution})
    plant = a_plant(steady(), room=room)
    plant.place(0, np.array([1.59, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0))
    run(plant, 60)
    assert plant.states[0]["velocity"][0] / 0.07 == pytest.approx(-restitution, abs=1e-3)


@settings(deadline=None, max_examples=60)
@given(speed=st.floats(0.02, 0.7), gap=st.floats(0.0, 0.01))
def test_a_touch_is_over_when_they_part_whenever_that_is(speed, gap):
    """So that the next one begins anew, with its own speed of impact; also if they part as a tick ends."""
    plant = two_discs(speed=speed, gap=gap)
    run(plant, 80)
    assert plant.states["velocity"][1, 0] > 0.0
    assert not plant.world_state[0]["contact_touching"].any()
    set_motion(plant, 0, velocity=(0.5, 0.0, 0.0))
    set_motion(plant, 1, velocity=(0.0, 0.0, 0.0))
    run(plant, 120)
    first, second = plant.states["velocity"][:, 0]
    assert (second - first) / 0.5 == pytest.approx(0.5, abs=1e-3)
