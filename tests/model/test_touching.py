"""The small steps of what may touch: conservation, energy, thrust and held axes, for hulls of any shape."""

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description.vehicle import MassProperties
from testbed.model.hull import SIMPLEX, nearest
from tests.model.mechanics import free_momentum, kinetic_energy
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, a_schedule, run, set_motion, steady

ROOMS = pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
LOPSIDED = MassProperties(
    mass=6.0, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
)
FLOOR = MassProperties(mass=13.0, inertia=(0.25, 0.26, 0.24), centre_of_mass=(0.012, -0.008, -0.2))
SEEDS = st.integers(0, 2**32 - 1)


def hull(random, corners):
    """Corners on a sphere or circle of 0.15 m: a hull of any shape that has base_link inside."""
    directions = random.normal(size=(corners, 3))
    directions[:4] = np.array([[1, 1, 1], [-1, -1, 1], [-1, 1, -1], [1, -1, -1]]) + 0.3 * directions[:4]
    spatial = 0.15 * directions / np.linalg.norm(directions, axis=1)[:, None]
    angles = 2.0 * np.pi * (np.arange(corners) + random.uniform(0.0, 0.9, corners)) / corners
    level = 0.15 * np.column_stack([np.cos(angles), np.sin(angles)])
    return tuple(map(tuple, spatial.tolist())), tuple(map(tuple, level.tolist()))


def colliding(room, seed, corners, speed, spin, **changes):
    """Two lopsided vehicles with any hulls that fly at each other, not quite through both centres."""
    random = np.random.default_rng(seed)
    vehicles = []
    for name in ("wren", "dunlin"):
        spatial, level = hull(random, corners)
        shape = steady().shape.model_copy(update={"flight_hull": spatial, "hull": level, **changes})
        vehicles.append(steady(name, shape=shape, flight=LOPSIDED, floor=FLOOR))
    plant = a_plant(*vehicles, room=room)
    level = room is FLAT
    for k, side in enumerate((-1.0, 1.0)):
        turn = Rotation.from_euler("z", random.uniform(-3.0, 3.0)) if level else Rotation.random(random_state=random)
        place = np.array([0.19 * side, *random.uniform(-0.05, 0.05, 2)])
        plant.place(k, place, turn.as_quat(), START)
        rate = random.uniform(-spin, spin, 3)
        velocity = np.array([-side * speed, *random.uniform(-0.1, 0.1, 2) * speed])
        set_motion(plant, k, velocity * ([1, 1, 0] if level else 1), rate * ([0, 0, 1] if level else 1))
    return plant


@ROOMS
@settings(deadline=None, max_examples=40)
@given(seed=SEEDS, corners=st.integers(4, 16), speed=st.floats(0.01, 1.0), spin=st.floats(0.0, 2.6))
def test_whatever_touches_momentum_stays_and_energy_does_not_grow(room, seed, corners, speed, spin):
    plant = colliding(room, seed, corners, (0.7 if room is FLAT else 1.0) * speed, spin)
    before, energy = free_momentum(plant), kinetic_energy(plant)
    scale = sum(np.abs(plant.states["velocity"]).max(axis=1) * plant.states["body_mass"])
    run(plant, 60)
    for name in ("position", "orientation", "velocity", "rate"):
        assert np.isfinite(plant.states[name]).all()
    assert np.abs(free_momentum(plant) - before).max() <= 1e-12 * max(scale, np.abs(before).max())
    assert kinetic_energy(plant) <= energy * (1.0 + 1e-6)


def core_distance(plant):
    """Distance of the hulls of the first two vehicles before rounding, m."""
    level = [1.0, 1.0, 0.0 if plant.world[0]["on_table"] else 1.0]
    poses = [np.concatenate([state["position"] * level, state["orientation"]]) for state in plant.states[:2]]
    first, second = plant.vehicles[:2]
    return nearest(first, 0, poses[0], second, 0, poses[1], np.empty(SIMPLEX))[0]


@ROOMS
@settings(deadline=None, max_examples=40)
@given(seed=SEEDS, corners=st.integers(4, 16))
def test_no_hull_passes_into_another_at_ten_times_the_speed_limit(room, seed, corners):
    """They may glance off and pass beside each other; the cores of their hulls never meet."""
    plant = colliding(room, seed, corners, 0.7 if room is FLAT else 1.0, 0.3)

    def apart(_):
        assert core_distance(plant) > 0.0

    run(plant, 60, each=apart)
    assert plant.take_contacts()
    assert not plant.world_state[0]["contact_touching"].any()


@ROOMS
@settings(deadline=None, max_examples=20)
@given(seed=SEEDS, corners=st.integers(4, 16))
def test_an_elastic_contact_without_friction_gives_all_energy_back(room, seed, corners):
    plant = colliding(room, seed, corners, 0.1, 0.1, restitution=1.0, friction=0.0)
    energy = kinetic_energy(plant)
    run(plant, 120)
    assume(not plant.world_state[0]["contact_touching"].any())
    # 1e-4 and less where one corner or face touches; more where contact jumps from one to the next within a step
    assert kinetic_energy(plant) == pytest.approx(energy, rel=2e-2)


@pytest.mark.parametrize("index", [0, 1])
def test_thrust_beside_an_edge_gives_the_impulse_that_it_gives_in_free_flight(index):
    """Near the edge, but sliding along it, a vehicle is stepped finely; the result is that of the long step."""
    free, near = a_plant(steady()), a_plant(steady())
    for plant, y in ((free, 0.0), (near, 1.2985)):
        plant.place(0, np.array([0.0, y, 0.0]), LEVEL, START)
        set_motion(plant, 0, velocity=(0.05, -0.001, 0.0), rate=(0.0, 0.0, 0.05))
        plant.accept_schedule(0, a_schedule(START, (0.003, (3 * index,)), (0.034, ()), (0.1, ())), START)
        run(plant, 40)
        assert plant.take_contacts() == []
    for name in ("velocity", "rate", "orientation"):
        assert near.states[0][name] == pytest.approx(free.states[0][name], abs=2e-8)
    moved = near.states[0]["position"] - [0.0, 1.2985, 0.45]
    assert moved == pytest.approx(free.states[0]["position"] - [0.0, 0.0, 0.45], abs=2e-7)


def test_on_the_table_nothing_leaves_the_plane():
    plant = colliding(FLAT, 3, 6, 0.5, 1.0)
    heights = plant.states["position"][:, 2].copy()
    run(plant, 100)
    assert np.array_equal(plant.states["position"][:, 2], heights)
    assert np.all(plant.states["rate"][:, :2] == 0.0)
    assert np.all(plant.states["velocity"][:, 2] == 0.0)


def test_a_body_beside_a_wall_tumbles_as_one_in_the_open():
    """Angular momentum along fixed axes to rounding, and the path to the order of the small step."""
    near = a_plant(steady(flight=LOPSIDED), room=CABIN)
    free = a_plant(steady(flight=LOPSIDED), room=CABIN)
    for plant, x in ((near, 1.8590), (free, 0.0)):
        plant.place(0, np.array([x, 0.0, 0.0]), LEVEL, START)
        set_motion(plant, 0, velocity=(-1e-4, 0.0, 0.0), rate=(0.2, -0.25, 0.15))
    before = free_momentum(near)
    run(near, 200)
    run(free, 200)
    assert near.take_contacts() == []
    assert np.allclose(free_momentum(near), before, rtol=0.0, atol=1e-13)
    assert near.states[0]["rate"] == pytest.approx(free.states[0]["rate"], abs=1e-7)
