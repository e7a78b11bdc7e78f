"""Distance of rounded hulls, and what follows from it for contact."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.model.contact_parameters import set_features
from testbed.model.hull import SIMPLEX, along_normal, nearest
from testbed.model.records import VEHICLE
from tests.model.mechanics import free_momentum, kinetic_energy
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, run, set_motion, steady

SQUARE = ((0.15, 0.15), (-0.15, 0.15), (-0.15, -0.15), (0.15, -0.15))
CUBE = tuple((x, y, z) for x in (-0.1, 0.1) for y in (-0.1, 0.1) for z in (-0.1, 0.1))


def shaped(name="wren", hull=SQUARE, flight_hull=CUBE, **changes):
    shape = steady().shape.model_copy(update={"hull": hull, "flight_hull": flight_hull, **changes})
    return steady(name, shape=shape)


def core(corners):
    """A vehicle record with this core."""
    record = np.zeros(1, VEHICLE)
    set_features(record[0], shaped(flight_hull=tuple(map(tuple, corners))), "cabin")
    return record[0]


def pose(position=(0.0, 0.0, 0.0), turn=(0.0, 0.0, 0.0)):
    return np.concatenate([position, Rotation.from_rotvec(turn).as_quat()])


def distance(one, its_pose, other, other_pose):
    """Distance, its points, and what the separation along the normal through them says."""
    apart, first, second = nearest(one, 0, its_pose, other, 0, other_pose, np.empty(SIMPLEX))
    bound = None
    if apart > 0.0:
        normal = tuple((np.array(first) - second) / apart)
        bound = along_normal(one, 0, its_pose, other, 0, other_pose, normal)[0]
    return apart, np.array(first), np.array(second), bound


coordinates = st.floats(-0.2, 0.2)
points = st.tuples(coordinates, coordinates, coordinates)
clouds = st.lists(points, min_size=4, max_size=16)
turns = st.tuples(*[st.floats(-3.0, 3.0)] * 3)


@settings(deadline=None, max_examples=300)
@given(clouds, clouds, st.tuples(*[st.floats(-0.7, 0.7)] * 3), turns, turns)
def test_the_distance_is_the_largest_separation_along_any_direction(one, other, position, turn, other_turn):
    """The separation along a direction never exceeds the distance, and along the right one reaches it."""
    a, b = core(one), core(other)
    p, q = pose(position, turn), pose(turn=other_turn)
    apart, first, second, bound = distance(a, p, b, q)
    if apart == 0.0:
        rng = np.random.default_rng(1)
        for direction in rng.normal(size=(100, 3)):
            unit = tuple(direction / np.linalg.norm(direction))
            assert along_normal(a, 0, p, b, 0, q, unit)[0] <= 1e-8
    else:
        assert bound == pytest.approx(apart, rel=1e-9, abs=1e-11)
        assert np.linalg.norm(first - second) == pytest.approx(apart, rel=1e-12)


@settings(deadline=None, max_examples=100)
@given(clouds, clouds, turns, points)
def test_the_distance_does_not_depend_on_where_and_how_both_are_seen(one, other, turn, shift):
    a, b = core(one), core(other)
    p, q = pose((0.5, 0.1, 0.0)), pose()
    moved = Rotation.from_rotvec(turn)
    apart = distance(a, p, b, q)[0]
    seen = distance(a, pose(moved.apply(p[:3]) + shift, turn), b, pose(shift, turn))[0]
    assert seen == pytest.approx(apart, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    ("position", "turn", "expected"),
    [
        ((0.5, 0.0, 0.0), (0.0, 0.0, 0.0), 0.3),  # face to face
        ((0.5, 0.4, 0.0), (0.0, 0.0, 0.0), math.hypot(0.3, 0.2)),  # edge to edge
        ((0.5, 0.4, 0.3), (0.0, 0.0, 0.0), math.hypot(0.3, 0.2, 0.1)),  # corner to corner
        ((0.5, 0.0, 0.0), (0.0, 0.0, math.pi / 4.0), 0.4 - 0.1 * math.sqrt(2.0)),  # edge to face
        ((0.15, 0.0, 0.0), (0.0, 0.0, 0.0), 0.0),
    ],
)
def test_two_cubes_are_as_far_apart_as_geometry_says(position, turn, expected):
    assert distance(core(CUBE), pose(position, turn), core(CUBE), pose())[0] == pytest.approx(expected, abs=1e-14)


def facing(room=FLAT, speed=0.1, heading=0.0, offset=0.0, gap=0.005, **changes):
    """Two squares or cubes; the first flies along x at the second, turned by `heading`."""
    plant = a_plant(shaped("wren", **changes), shaped("dunlin", **changes), room=room)
    half, rounding = (0.15, 0.02) if room is FLAT else (0.1, 0.02)
    width = half * (1.0 + abs(math.sin(heading)) + abs(math.cos(heading))) + 2.0 * rounding
    plant.place(0, np.array([-width - gap, offset, 0.0]), Rotation.from_euler("z", heading).as_quat(), START)
    plant.place(1, np.zeros(3), LEVEL, START)
    set_motion(plant, 0, velocity=(speed, 0.0, 0.0))
    return plant


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@pytest.mark.parametrize("restitution", [0.3, 0.5, 0.9])
def test_a_corner_on_a_face_through_both_centres_parts_with_its_coefficient(room, restitution):
    plant = facing(room, heading=math.pi / 4.0, restitution=restitution, friction=0.0)
    run(plant, 60)
    first, second = plant.states["velocity"][:, 0]
    assert (second - first) / 0.1 == pytest.approx(restitution, abs=1e-3)
    assert len(plant.take_contacts()) == 1


@pytest.mark.parametrize("heading", [0.0, 0.1, math.pi / 4.0])
@pytest.mark.parametrize("offset", [0.0, 0.07, 0.15])
@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
def test_hulls_conserve_momentum_and_never_make_energy(room, offset, heading):
    plant = facing(room, speed=0.3, heading=heading, offset=offset)
    set_motion(plant, 1, rate=(0.0, 0.0, 0.2))
    before, energy = free_momentum(plant), kinetic_energy(plant)
    run(plant, 60)
    assert plant.take_contacts()
    assert np.allclose(free_momentum(plant), before, rtol=0.0, atol=1e-12 * np.abs(before).max())
    assert kinetic_energy(plant) < energy


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@pytest.mark.parametrize("heading", [0.0, 0.3, math.pi / 4.0])
def test_even_where_thin_bumpers_are_pushed_through_the_hulls_go_back(room, heading):
    """Rounded by 5 mm only, cores meet in a blow this hard: the last normal goes on."""
    speed = 0.7 if room is FLAT else 1.0
    plant = facing(room, speed=speed, heading=heading, gap=0.05, rounding=0.005)
    set_motion(plant, 1, velocity=(-speed, 0.0, 0.0))
    run(plant, 50)
    assert plant.take_contacts()[0].peak_force > 0.01 * 8000.0
    assert plant.states["position"][0, 0] < plant.states["position"][1, 0]
    assert plant.states["velocity"][0, 0] < plant.states["velocity"][1, 0]


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@pytest.mark.parametrize("heading", [0.0, 0.3, math.pi / 4.0])
def test_hulls_do_not_pass_through_each_other_at_ten_times_the_speed_limit(room, heading):
    speed = 0.7 if room is FLAT else 1.0
    plant = facing(room, speed=speed, heading=heading)
    set_motion(plant, 1, velocity=(-speed, 0.0, 0.0))
    run(plant, 50)
    assert plant.take_contacts()
    assert plant.states["position"][0, 0] < plant.states["position"][1, 0]
    assert plant.states["velocity"][0, 0] < plant.states["velocity"][1, 0]
    assert np.isfinite(plant.states["position"]).all()


def test_a_square_leans_flat_on_the_edge_and_stays():
    plant = a_plant(shaped())
    plant.place(0, np.array([1.62, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0))
    run(plant, 60)
    state = plant.states[0]
    assert state["velocity"][0] == pytest.approx(-0.4 * 0.05, rel=0.01)
    assert abs(state["rate"][2]) < 1e-2


def test_a_hull_reaches_as_far_as_its_farthest_corner():
    assert shaped().contact_radius("table") == pytest.approx(0.15 * math.sqrt(2.0) + 0.02)
    assert shaped().contact_radius("cabin") == pytest.approx(0.1 * math.sqrt(3.0) + 0.02)
