"""Ranging: times of flight against geometry, who hears whom, and the errors."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.air import speed_of_sound
from testbed.description.noise import RangingNoise
from testbed.description.vehicle import Receiver
from testbed.model.draws import RANGE_NUMBERS
from tests.model.scene import (
    BEACONS,
    CABIN,
    LEVEL,
    SILENCE,
    START,
    TICK,
    a_plant,
    open_valves,
    receivers,
    run,
    set_motion,
    steady,
)

SOUND = 343.2 * math.sqrt(BEACONS.air_temperature / 293.15)
CYCLE = 250_000_000
EARS = tuple(receiver.model_copy(update={"half_angle_deg": 180.0}) for receiver in receivers())


def a_cycle(plant, index=0, start=START, rng=None):
    """Run one beacon cycle and take its ranges."""
    for k in range(25):
        stamp = start + k * TICK
        normals = np.zeros(RANGE_NUMBERS) if rng is None else rng.standard_normal(RANGE_NUMBERS)
        uniforms = np.full(RANGE_NUMBERS, 0.5) if rng is None else rng.random(RANGE_NUMBERS)
        plant.listen(index, stamp, normals, uniforms)
        run(plant, 1, stamp)
    return taken(plant, start, index)


def taken(plant, pulse, index=0):
    ranges = np.zeros(1, messages.RANGES)[0]
    plant.take_ranges(index, pulse, ranges)
    return ranges


def heard(ranges):
    count = ranges["count"]
    return list(zip(ranges["beacon"][:count].tolist(), ranges["receiver"][:count].tolist(), strict=True))


def with_noise(**figures):
    return SILENCE.model_copy(update={"ranging": SILENCE.ranging.model_copy(update=figures)})


@pytest.mark.parametrize("heading", [0.0, 0.7, -2.1])
def test_a_resting_vehicle_measures_distance_over_the_speed_of_sound(heading):
    plant = a_plant(steady(receivers=EARS))
    turn = Rotation.from_euler("z", heading)
    plant.place(0, np.array([0.4, -0.3, 0.0]), turn.as_quat(), START)
    ranges = a_cycle(plant)
    assert sorted(heard(ranges)) == [(beacon, receiver) for beacon in range(6) for receiver in range(8)]
    assert [beacon for beacon, _ in heard(ranges)] == sorted(beacon for beacon, _ in heard(ranges))
    for k, (beacon, receiver) in enumerate(heard(ranges)):
        at = np.array([0.4, -0.3, 0.45]) + turn.apply(EARS[receiver].position)
        distance = np.linalg.norm(np.array(BEACONS.beacons[beacon].position) - at)
        assert ranges["time_of_flight"][k] == pytest.approx(distance / SOUND, rel=1e-13)
        assert ranges["time_offset"][k] == pytest.approx(beacon * 0.04, abs=1e-15)
    assert ranges["stamp"] == START


def test_a_moving_vehicle_measures_to_where_it_is_when_the_chirp_arrives():
    plant = a_plant(steady(receivers=EARS))
    set_motion(plant, 0, velocity=(0.07, -0.03, 0.0), rate=(0.0, 0.0, 0.2))
    ranges = a_cycle(plant)
    for k, (beacon, receiver) in enumerate(heard(ranges)):
        arrival = ranges["time_offset"][k] + ranges["time_of_flight"][k]
        at = np.array([0.07 * arrival, -0.03 * arrival, 0.45])
        at += Rotation.from_euler("z", 0.2 * arrival).apply(EARS[receiver].position)
        distance = np.linalg.norm(np.array(BEACONS.beacons[beacon].position) - at)
        assert ranges["time_of_flight"][k] * SOUND == pytest.approx(distance, abs=1e-6)


def test_a_receiver_hears_only_inside_its_cone():
    plant = a_plant(steady())
    plant.place(0, np.array([0.3, 0.2, 0.0]), Rotation.from_euler("z", 0.4).as_quat(), START)
    expected = []
    for beacon in range(6):
        for index, receiver in enumerate(receivers()):
            turn = Rotation.from_euler("z", 0.4)
            path = np.array(BEACONS.beacons[beacon].position) - [0.3, 0.2, 0.45] - turn.apply(receiver.position)
            axis = turn.apply(receiver.axis)
            angle = math.acos(path @ axis / np.linalg.norm(path) / np.linalg.norm(axis))
            if math.degrees(angle) <= 60.0:
                expected.append((beacon, index))
    assert 6 < len(expected) < 40
    assert heard(a_cycle(plant)) == expected


def test_a_vehicle_in_the_way_hides_a_low_beacon_but_not_a_high_one():
    low_and_high = BEACONS.model_copy(
        update={
            "beacons": (
                BEACONS.beacons[0].model_copy(update={"position": (2.0, 0.0, 0.4)}),
                BEACONS.beacons[0].model_copy(update={"position": (2.0, 0.0, 2.2)}),
                *BEACONS.beacons[4:],
            )
        }
    )
    ear = Receiver(position=(0.0, 0.0, 0.0), axis=(1.0, 0.0, 0.0), half_angle_deg=180.0)
    plant = a_plant(steady(receivers=(ear, ear, ear)), steady("dunlin"), beacons=low_and_high)
    plant.place(0, np.array([-0.5, 0.0, 0.0]), LEVEL, START)
    plant.place(1, np.array([0.6, 0.1, 0.0]), LEVEL, START)
    assert {beacon for beacon, _ in heard(a_cycle(plant))} == {1, 2, 3}
    plant.place(1, np.array([0.6, 0.14, 0.0]), LEVEL, START)  # beside the path: the body is 0.13 m in radius
    assert {beacon for beacon, _ in heard(a_cycle(plant, start=START + CYCLE))} == {0, 1, 2, 3}
    plant.place(1, np.array([-1.0, 0.0, 0.0]), LEVEL, START)  # behind
    assert {beacon for beacon, _ in heard(a_cycle(plant, start=START + 2 * CYCLE))} == {0, 1, 2, 3}


def test_in_the_cabin_a_body_hides_as_a_sphere():
    ear = Receiver(position=(0.0, 0.0, 0.0), axis=(1.0, 0.0, 0.0), half_angle_deg=180.0)
    plant = a_plant(steady(receivers=(ear, ear, ear)), steady("dunlin"), room=CABIN)
    direction = np.array(BEACONS.beacons[0].position) / np.linalg.norm(BEACONS.beacons[0].position)
    plant.place(1, 0.8 * direction, LEVEL, START)
    assert {beacon for beacon, _ in heard(a_cycle(plant))} == {1, 2, 3, 4, 5}


def test_the_latest_two_cycles_can_be_taken_and_a_silent_one_is_empty():
    plant = a_plant(steady(receivers=EARS))
    first = a_cycle(plant)
    second = a_cycle(plant, start=START + CYCLE)
    assert heard(taken(plant, START)) == heard(first) != []
    assert second["stamp"] == START + CYCLE
    third = taken(plant, START + 2 * CYCLE)
    assert (third["stamp"], third["count"]) == (START + 2 * CYCLE, 0)


def errors(plant, cycles, seed):
    rng = np.random.default_rng(seed)
    lengths, found = [], 0
    for k in range(cycles):
        ranges = a_cycle(plant, start=START + k * CYCLE, rng=rng)
        found += ranges["count"]
        for place, (beacon, receiver) in enumerate(heard(ranges)):
            at = plant.states[0]["position"] + EARS[receiver].position
            distance = np.linalg.norm(np.array(BEACONS.beacons[beacon].position) - at)
            lengths.append(ranges["time_of_flight"][place] * SOUND - distance)
    return np.array(lengths), found


def test_noise_dropouts_and_echoes_have_their_stated_size_and_share():
    noise = with_noise(constant=0.005, dropout=0.1, multipath=0.2, multipath_shortest=0.5, multipath_longest=0.9)
    plant = a_plant(steady(receivers=EARS), noise=noise)
    error, found = errors(plant, 80, seed=2)
    asked = 80 * 48
    assert found / asked == pytest.approx(0.9, abs=4.0 * math.sqrt(0.1 * 0.9 / asked))
    echoes = error > 0.25
    assert echoes.mean() == pytest.approx(0.2, abs=4.0 * math.sqrt(0.2 * 0.8 / found))
    assert 0.45 < error[echoes].min() < error[echoes].max() < 0.95
    direct = error[~echoes]
    assert direct.std() == pytest.approx(0.005, rel=4.0 / math.sqrt(2.0 * len(direct)))
    assert abs(direct.mean()) < 4.0 * 0.005 / math.sqrt(len(direct))


def test_noise_grows_with_distance():
    plant = a_plant(steady(receivers=EARS), noise=with_noise(per_metre=0.001))
    error, _ = errors(plant, 40, seed=3)
    typical = np.mean([np.linalg.norm(np.array(b.position) - [0.0, 0.0, 0.45]) for b in BEACONS.beacons])
    assert error.std() == pytest.approx(0.001 * typical, rel=0.1)


def frozen_cycle(plant, normals, uniforms, index=0):
    """A cycle in which nothing moves, valves as they stand."""
    for k in range(25):
        plant.listen(index, START + k * TICK, normals, uniforms)
    return taken(plant, START, index)


def test_open_nozzles_make_it_noisier_the_nearer_they_are():
    plant = a_plant(
        steady(receivers=EARS), steady("dunlin"), noise=with_noise(constant=0.005, valve_factor=3.0, valve_distance=0.2)
    )
    plant.place(0, np.array([0.2, 0.1, 0.0]), Rotation.from_euler("z", 0.3).as_quat(), START)
    plant.place(1, np.array([-0.4, 0.1, 0.0]), Rotation.from_euler("z", -1.0).as_quat(), START)
    normals, uniforms = np.ones(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5)
    open_valves(plant.states[0], {0: 1.0, 1: 0.25})
    open_valves(plant.states[1], {4: 1.0})
    ranges = frozen_cycle(plant, normals, uniforms)
    bodies = [((0.2, 0.1, 0.45), 0.3), ((-0.4, 0.1, 0.45), -1.0)]
    where = [(np.array(at), Rotation.from_euler("z", heading)) for at, heading in bodies]
    for k, (beacon, receiver) in enumerate(heard(ranges)):
        ear = where[0][0] + where[0][1].apply(EARS[receiver].position)
        loud = 0.0
        for index, valve, opening in ((0, 0, 1.0), (0, 1, 0.25), (1, 4, 1.0)):
            at, turn = where[index]
            nozzle = at + turn.apply(steady().thrusters.valves[valve].position)
            loud += opening * (0.2 / np.linalg.norm(nozzle - ear)) ** 2
        distance = np.linalg.norm(np.array(BEACONS.beacons[beacon].position) - ear)
        error = ranges["time_of_flight"][k] * SOUND - distance
        assert error == pytest.approx(0.005 * math.sqrt(1.0 + 8.0 * loud), rel=1e-9)


def test_one_nozzle_at_the_stated_distance_makes_the_noise_grow_by_the_stated_factor():
    nozzle = steady().thrusters.valves[0].position
    ear = Receiver(position=(nozzle[0], nozzle[1], 0.3), axis=(1.0, 0.0, 0.0), half_angle_deg=180.0)
    noise = with_noise(constant=0.005, valve_factor=2.5, valve_distance=0.3)
    loud, calm = (a_plant(steady(receivers=(ear, ear, ear)), noise=noise) for _ in range(2))
    open_valves(loud.states[0], {0: 1.0})
    normals, uniforms = np.ones(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5)
    found = [frozen_cycle(plant, normals, uniforms)["time_of_flight"][0] for plant in (loud, calm)]
    assert (found[0] - found[1]) * SOUND == pytest.approx(1.5 * 0.005, rel=1e-9)


def test_it_is_the_noise_at_the_arrival_that_counts():
    """The chirp of the first beacon leaves at once and reaches the farther receivers only in the next tick."""
    plant = a_plant(steady(receivers=EARS), noise=with_noise(valve_dropout=0.999999, valve_distance=10.0))
    plant.place(0, np.array([-0.55, -0.4, 0.0]), LEVEL, START)
    open_valves(plant.states[0], {0: 1.0})
    plant.listen(0, START, np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5))
    early = {receiver for _, receiver in heard(taken(plant, START))}
    open_valves(plant.states[0], {})
    plant.listen(0, START + TICK, np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5))
    late = heard(taken(plant, START))
    flights = taken(plant, START)["time_of_flight"][: len(late)]
    assert not early
    assert {beacon for beacon, _ in late} == {0}
    assert (flights >= 0.01).all()
    far = [
        receiver
        for receiver, ear in enumerate(EARS)
        if np.linalg.norm(np.array(BEACONS.beacons[0].position) - [-0.55, -0.4, 0.45] - ear.position) >= 0.01 * SOUND
    ]
    assert [receiver for _, receiver in late] == far
    assert 0 < len(far) < 8


def test_a_dead_receiver_hears_nothing_and_a_dead_beacon_is_not_heard():
    plant = a_plant(steady(receivers=EARS))
    plant.vehicles[0]["receiver_dead"][3] = plant.world[0]["beacon_dead"][4] = 1
    ranges = frozen_cycle(plant, np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5))
    expected = {(beacon, receiver) for beacon in (0, 1, 2, 3, 5) for receiver in (0, 1, 2, 4, 5, 6, 7)}
    assert set(heard(ranges)) == expected


def test_a_missed_pulse_leaves_the_cloud_of_that_cycle_empty_and_no_other():
    plant = a_plant(steady(receivers=EARS), noise=with_noise(pulse_missed=0.3))
    normals, uniforms = np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5)
    uniforms[-1] = 0.29
    assert frozen_cycle(plant, normals, uniforms)["count"] == 0
    for k in range(25):
        plant.listen(0, START + CYCLE + k * TICK, normals, np.full(RANGE_NUMBERS, 0.5))
    assert taken(plant, START + CYCLE)["count"] == 48


def test_jitter_of_the_pulse_shifts_all_times_of_a_cycle_alike():
    late, exact = (a_plant(steady(receivers=EARS), noise=with_noise(pulse_jitter=s)) for s in (3e-6, 0.0))
    normals, uniforms = np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5)
    normals[-1] = 2.0
    found = [frozen_cycle(plant, normals, uniforms)["time_of_flight"][:48] for plant in (late, exact)]
    assert found[0] - found[1] == pytest.approx(np.full(48, -6e-6), rel=1e-9)


def test_a_vehicle_that_sees_no_emitter_has_no_clock():
    one = BEACONS.model_copy(update={"emitters": ((2.0, 0.0, 0.5),)})
    two = BEACONS.model_copy(update={"emitters": ((2.0, 0.0, 0.5), (-2.0, 0.0, 0.5))})
    none = BEACONS.model_copy(update={"emitters": ()})
    above = BEACONS
    counts = []
    for beacons in (one, two, none, above):
        plant = a_plant(steady(receivers=EARS), steady("dunlin"), beacons=beacons)
        plant.place(0, np.array([-0.3, 0.0, 0.0]), LEVEL, START)
        plant.place(1, np.array([0.6, 0.05, 0.0]), LEVEL, START)
        counts.append(frozen_cycle(plant, np.zeros(RANGE_NUMBERS), np.full(RANGE_NUMBERS, 0.5))["count"])
    assert counts[0] == 0
    assert all(count > 30 for count in counts[1:])
    assert above.emitter_positions == ((0.0, 0.0, 2.2),)


def test_air_and_survey_errors_are_drawn_around_what_is_believed():
    figures = RangingNoise(survey=0.002)
    around = SILENCE.surroundings.model_copy(update={"air_temperature": 0.5, "air_humidity": 0.05})
    noise = SILENCE.model_copy(update={"ranging": figures, "surroundings": around})
    damp = BEACONS.model_copy(update={"air_humidity": 0.4})
    plants = [a_plant(steady(), beacons=damp, noise=noise, seed=seed) for seed in range(200)]
    surveyed = np.array([beacon.position for beacon in BEACONS.beacons])
    survey = np.array([plant.world[0]["beacon_position"][:6] - surveyed for plant in plants])
    air = np.array([plant.world[0]["air_temperature"] for plant in plants]) - BEACONS.air_temperature
    humidity = np.array([plant.world[0]["air_humidity"] for plant in plants]) - 0.4
    assert survey.std() == pytest.approx(0.002, rel=0.05)
    assert air.std() == pytest.approx(0.5, rel=0.2)
    assert humidity.std() == pytest.approx(0.05, rel=0.2)
    world = plants[0].world[0]
    assert world["speed_of_sound"] == speed_of_sound(world["air_temperature"], world["air_humidity"])
