"""The broad phase: whatever may touch within the tick is listed, and little else."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.distance import pdist, squareform
from scipy.spatial.transform import Rotation

from testbed.model.contact import EDGE
from testbed.model.near import find_near
from tests.model.docking import docker, meeting
from tests.model.scene import CABIN, FLAT, LEVEL, START, a_plant, run, set_motion, steady

WIDE = FLAT.model_copy(
    update={"outline": ((-9.0, -9.0), (9.0, -9.0), (9.0, 9.0), (-9.0, 9.0)), "working_area": ((-8.0, -8.0), (8.0, 8.0))}
)


def crowd(room, count, seed, make=steady, spread=2.0):
    """Vehicles anywhere in a square or cube, some of them on top of each other."""
    random = np.random.default_rng(seed)
    plant = a_plant(*[make(f"v{k}") for k in range(count)], room=room)
    for k in range(count):
        turn = Rotation.from_euler("z", random.uniform(-np.pi, np.pi)).as_quat()
        plant.place(k, random.uniform(-spread, spread, 3) * [1.0, 1.0, 0.5], turn, START)
        set_motion(plant, k, velocity=random.uniform(-0.5, 0.5, 3) * [1.0, 1.0, 0.0])
    return plant


def listed(plant):
    """Pairs of vehicles that the broad phase lists, and the vehicles it lists at an edge."""
    state = plant.world_state[0]
    near = np.zeros(len(plant.states), np.bool_)
    find_near(plant.world[0], plant.vehicles, state, plant.states, near)
    count = int(state["near_count"])
    pairs = list(zip(state["near_first"][:count].tolist(), state["near_second"][:count].tolist(), strict=True))
    return {pair for pair in pairs if pair[1] != EDGE}, {first for first, second in pairs if second == EDGE}, near


@pytest.mark.parametrize("room", [WIDE, CABIN], ids=["table", "cabin"])
@settings(deadline=None, max_examples=30)
@given(count=st.integers(1, 64), seed=st.integers(0, 2**32 - 1))
def test_it_lists_the_pairs_that_are_close_and_no_others(room, count, seed):
    plant = crowd(room, count, seed)
    pairs, _, near = listed(plant)
    position = plant.states["position"] * ([1.0, 1.0, 0.0] if room is WIDE else [1.0, 1.0, 1.0])
    speed = np.linalg.norm(plant.states["linear_velocity"], axis=1)
    gap = squareform(pdist(position)) if count > 1 else np.zeros((1, 1))
    gap -= 2.0 * plant.vehicles[0]["touch_radius"] + 0.01 * np.add.outer(speed, speed)
    first, second = np.triu_indices(count, 1)
    must = {pair for pair in zip(first.tolist(), second.tolist(), strict=True) if gap[pair] < 0.0}
    may = {pair for pair in zip(first.tolist(), second.tolist(), strict=True) if gap[pair] < 0.03}
    assert must <= pairs <= may
    assert all(near[a] and near[b] for a, b in pairs)


def test_it_goes_on_finding_them_while_they_move_past_each_other():
    plant = crowd(WIDE, 40, 7)
    for k in range(40):
        run(plant, 10, START + k * 100_000_000)
        pairs, _, _ = listed(plant)
        gap = squareform(pdist(plant.states["position"][:, :2])) - 0.4
        first, second = np.nonzero(np.triu(gap < 0.0, 1))
        assert set(zip(first.tolist(), second.tolist(), strict=True)) <= pairs


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
@settings(deadline=None, max_examples=25)
@given(count=st.integers(2, 6), seed=st.integers(0, 2**32 - 1))
def test_few_that_were_far_apart_are_found_as_soon_as_they_may_touch(room, count, seed):
    """They are driven about by whatever hand for 10 s: at every tick all that overlap are listed, edges too."""
    plant = crowd(room, count, seed, spread=1.2)
    random = np.random.default_rng(seed)
    radius, half = plant.vehicles[0]["touch_radius"], np.array([1.8, 1.5] if room is FLAT else [2.0, 1.5])

    def push_and_look(now):
        for k in range(count):
            if random.random() < 0.02:
                set_motion(plant, k, velocity=random.uniform(-0.3, 0.3, 3) * [1.0, 1.0, 0.0])
        position = plant.states["position"] * ([1.0, 1.0, 0.0] if room is FLAT else [1.0, 1.0, 1.0])
        gap = squareform(pdist(position)) - 2.0 * radius
        first, second = np.nonzero(np.triu(gap < 0.0, 1))
        kept = plant.world_state.copy()
        pairs, edges, _ = listed(plant)
        plant.world_state[:] = kept
        assert set(zip(first.tolist(), second.tolist(), strict=True)) <= pairs
        touching = (half - np.abs(plant.states["position"][:, :2])).min(axis=1) < radius
        assert set(np.flatnonzero(touching).tolist()) <= edges

    run(plant, 1000, each=push_and_look)


@pytest.mark.parametrize("x", [1.55, 1.62, 1.5, -1.59])
def test_an_edge_is_near_only_to_who_may_reach_it(x):
    plant = a_plant(steady())
    plant.place(0, np.array([x, 0.0, 0.0]), LEVEL, START)
    assert listed(plant)[1] == ({0} if abs(x) > 1.598 else set())


def test_an_edge_that_slants_is_found_outside_the_box():
    corners = ((-2.0, -1.0), (1.0, -1.0), (2.0, 0.0), (1.0, 1.0), (-2.0, 1.0))
    room = FLAT.model_copy(update={"outline": corners, "working_area": ((-1.5, -0.5), (1.0, 0.5))})
    plant = a_plant(steady(), room=room)
    for x, edge in ((1.0, False), (1.6, False), (1.75, True)):
        plant.place(0, np.array([x, 0.0, 0.0]), LEVEL, START)
        assert bool(listed(plant)[1]) == edge


def test_of_two_vehicles_with_ports_only_what_faces_each_other_is_near():
    plant = meeting()
    state = plant.world_state[0]
    assert listed(plant)[0] == {(0, 1)}
    features = zip(state["near_first_feature"][: state["near_count"]], state["near_second_feature"], strict=False)
    assert (1, 2) in {(int(f), int(g)) for f, g in features}
    assert state["near_count"] <= 3


def test_sixty_four_vehicles_touch_as_two_do():
    """Head-on pairs far from each other: every one of 32 parts as one alone does, bit for bit but for where it is."""
    pairs = a_plant(*[docker(f"v{k}") for k in range(64)], room=WIDE)
    for k in range(32):
        x, y = -7.0 + 2.0 * (k % 8), -6.0 + 2.0 * (k // 8)
        pairs.place(2 * k, np.array([x, y, 0.0]), LEVEL, START)
        pairs.place(2 * k + 1, np.array([x + 0.43, y, 0.0]), Rotation.from_euler("z", np.pi).as_quat(), START)
        set_motion(pairs, 2 * k, velocity=(0.05, 0.0, 0.0))
    run(pairs, 80)
    first, second = pairs.states["velocity"][::2, 0], pairs.states["velocity"][1::2, 0]
    assert (second - first) / 0.05 == pytest.approx(0.3, abs=1e-3)
    assert np.ptp(first) < 1e-12
    assert len(pairs.take_contacts()) == 32
    assert pairs.world_state[0]["contacts_lost"] == 0
