"""The plant as a whole: placing, truth, reproducibility, and that nothing makes it blow up."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.messages import MAX_VALVES
from testbed.description.noise import Noise
from testbed.description.vehicle import MassProperties
from testbed.model.draws import RANGE_NUMBERS, Draws
from testbed.model.plant import Plant
from tests.model.scene import (
    BEACONS,
    CABIN,
    FLAT,
    LEVEL,
    START,
    TICK,
    a_plant,
    a_schedule,
    a_vehicle,
    run,
    set_motion,
    steady,
)

OFFSET = MassProperties(mass=13.0, inertia=(0.25, 0.25, 0.24), centre_of_mass=(0.02, -0.01, -0.2))


def truth(plant, index=0):
    odometry = np.zeros(1, messages.ODOMETRY)[0]
    plant.read_motion(index, START, odometry)
    return odometry


def rehearse(seed, ticks=300):
    """Three noisy vehicles with schedules and contact; returns all state as bytes."""
    plant = Plant([a_vehicle(name) for name in "abc"], FLAT, BEACONS, Noise(name="usual"), Draws(seed, 0, 3))
    draws = Draws(seed, 0, 3)
    for index, x in enumerate((-0.5, 0.0, 0.5)):
        plant.place(index, np.array([x, 0.0, 0.0]), LEVEL, START)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0))
    imu = np.zeros(1, messages.IMU)[0]
    for k in range(ticks):
        now = START + k * TICK
        imu_noise, valves = draws.imu(1)[0], draws.valves(1)[0]
        normals, uniforms = draws.range_normals(1)[0], draws.range_uniforms(1)[0]
        for index in range(3):
            plant.sense_imu(index, now, imu_noise[index], imu)
            plant.listen(index, now, normals[index], uniforms[index])
            if k % 10 == 0:
                schedule = a_schedule(now + 2 * TICK, (0.0, (index, 4)), (0.0333, (index,)), (0.07, ()))
                plant.accept_schedule(index, schedule, now)
        plant.advance(now, valves)
    return plant.states.tobytes() + plant.world_state.tobytes()


def test_the_same_seed_gives_the_same_bits_and_another_seed_does_not():
    first = rehearse(11)
    assert rehearse(11) == first
    assert rehearse(12) != first


@pytest.mark.parametrize("count", range(1, 9))
def test_vehicles_that_nobody_placed_yet_rest_apart_from_each_other_and_the_edges(count):
    plant = a_plant(*[steady() for _ in range(count)])
    before = plant.states["position"].copy()
    run(plant, 5)
    assert plant.take_contacts() == []
    assert np.array_equal(plant.states["position"], before)


def test_placing_on_the_table_keeps_the_heading_and_levels_the_rest():
    plant = a_plant(steady(floor=OFFSET))
    leaning = Rotation.from_euler("ZYX", [1.2, 0.2, -0.1]).as_quat()
    plant.place(0, np.array([0.5, -0.4, 3.0]), leaning, START)
    odometry = truth(plant)
    assert odometry["position"].tolist() == [0.5, -0.4, 0.45]
    assert np.allclose(odometry["orientation"], Rotation.from_euler("z", 1.2).as_quat(), rtol=0.0, atol=1e-15)
    run(plant, 10)
    assert np.allclose(truth(plant)["position"], [0.5, -0.4, 0.45], rtol=0.0, atol=1e-15)


def test_placing_in_the_cabin_takes_the_whole_pose():
    plant = a_plant(steady(), room=CABIN)
    leaning = Rotation.from_euler("ZYX", [1.2, 0.2, -0.1]).as_quat()
    plant.place(0, np.array([0.5, -0.4, 0.3]), 2.0 * leaning, START)
    assert np.allclose(truth(plant)["orientation"], leaning, rtol=0.0, atol=1e-15)
    assert truth(plant)["position"].tolist() == [0.5, -0.4, 0.3]


def test_placing_ends_all_motion_and_thrust_at_once():
    plant = a_plant(steady())
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0), rate=(0.0, 0.0, 0.1))
    plant.accept_schedule(0, a_schedule(START, (0.0, (0, 1)), (0.19, ())), START)
    run(plant, 5)
    plant.place(0, np.zeros(3), LEVEL, START + 5 * TICK)
    run(plant, 1, START + 5 * TICK)
    assert plant.states[0]["edge_count"] == 2  # the commands to close are still edges
    run(plant, 50, START + 6 * TICK)
    odometry = truth(plant)
    assert odometry["position"].tolist() == [0.0, 0.0, 0.45]
    assert not odometry["linear_velocity"].any()
    assert not odometry["angular_velocity"].any()


def test_truth_is_the_motion_of_base_link_not_of_the_centre_of_mass():
    plant = a_plant(steady(floor=OFFSET))
    plant.place(0, np.zeros(3), Rotation.from_euler("z", 0.5).as_quat(), START)
    set_motion(plant, 0, rate=(0.0, 0.0, 0.3))
    run(plant, 100)
    before = truth(plant)["position"].copy()
    velocity = Rotation.from_quat(truth(plant)["orientation"]).apply(truth(plant)["linear_velocity"])
    assert np.allclose(np.linalg.norm(velocity), 0.3 * math.hypot(0.02, 0.01), rtol=1e-12)
    run(plant, 1, START + 100 * TICK)
    travelled = (truth(plant)["position"] - before) / 0.01
    assert np.allclose(travelled, velocity, rtol=0.0, atol=0.3**2 * 0.0224 * 0.0051)
    assert truth(plant)["angular_velocity"].tolist() == [0.0, 0.0, 0.3]


def test_the_spread_of_the_valves_is_drawn_and_the_file_stays_as_it_is():
    vehicle = a_vehicle()
    before = vehicle.model_dump()
    spread = [
        Plant([vehicle], CABIN, BEACONS, Noise(name="usual"), Draws(seed, 0, 1)).vehicles[0]["valve_thrust"][:12] / 0.15
        for seed in range(100)
    ]
    assert np.std(spread) == pytest.approx(0.03, rel=0.1)
    assert np.mean(spread) == pytest.approx(1.0, abs=0.005)
    assert vehicle.model_dump() == before


def test_what_does_not_fit_the_plant_is_refused():
    with pytest.raises(ValueError, match="65 vehicles, allowed: 1 to 64"):
        a_plant(*[steady() for _ in range(65)])
    many = tuple((2.0 * math.cos(angle), 2.0 * math.sin(angle)) for angle in np.arange(17) * 2.0 * math.pi / 17)
    with pytest.raises(ValueError, match="outline has 17 corners"):
        a_plant(steady(), room=FLAT.model_copy(update={"outline": many}))


@settings(deadline=None, max_examples=40)
@given(
    st.booleans(),
    st.integers(0, 2**32 - 1),
    st.lists(st.tuples(st.floats(-1.5, 1.5), st.floats(-1.2, 1.2), st.floats(-3.1, 3.1)), min_size=2, max_size=4),
    st.floats(0.0, 1.0),
)
def test_whatever_happens_everything_stays_finite_and_orientations_stay_rotations(on_table, seed, poses, speed):
    """Also from starts that overlap: vehicles are then pushed apart."""
    rng = np.random.default_rng(seed)
    plant = Plant(
        [a_vehicle(f"v{index}") for index in range(len(poses))], FLAT if on_table else CABIN, BEACONS,
        Noise(name="usual"), Draws(seed, 0, len(poses)),
    )  # fmt: skip
    for index, (x, y, heading) in enumerate(poses):
        plant.place(index, np.array([x, y, 0.0]), Rotation.from_euler("z", heading).as_quat(), START)
        velocity = speed * rng.uniform(-1.0, 1.0, 3)
        rate = rng.uniform(-1.0, 1.0, 3)
        held = np.array([1.0, 1.0, not on_table])
        set_motion(plant, index, velocity=velocity * held, rate=rate * held[[2, 2, 0]])
    imu, ranges = np.zeros(1, messages.IMU)[0], np.zeros(1, messages.RANGES)[0]
    for k in range(60):
        now = START + k * TICK
        for index in range(len(poses)):
            if k % 5 == 0:
                points = [(offset, np.flatnonzero(rng.random(12) < 0.4)) for offset in (0.0, 0.011, 0.05)] + [(0.1, ())]
                plant.accept_schedule(index, a_schedule(now, *points), now)
            plant.listen(index, now, rng.standard_normal(RANGE_NUMBERS), rng.random(RANGE_NUMBERS))
            plant.sense_imu(index, now, rng.standard_normal(9), imu)
            assert np.all(np.isfinite(imu["angular_velocity"]))
            assert np.all(np.isfinite(imu["linear_acceleration"]))
        plant.advance(now, rng.standard_normal((len(poses), MAX_VALVES, 2)))
    for field in plant.states.dtype.names:
        assert np.all(np.isfinite(plant.states[field])), field
    assert np.allclose(np.linalg.norm(plant.states["orientation"], axis=1), 1.0, rtol=0.0, atol=1e-14)
    assert np.all(plant.states["gas_mass"] > 0.0)
    for index in range(len(poses)):
        plant.take_ranges(index, START, ranges)
        flights = ranges["time_of_flight"][: ranges["count"]]
        assert np.all((flights > 0.0) & (flights < 0.04))
