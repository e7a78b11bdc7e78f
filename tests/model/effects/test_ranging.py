"""Each imperfection of the ultrasound ranging alone, against its closed form."""

import math

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.effects import Effect
from testbed.description.vehicle import Receiver
from testbed.model.draws import RANGE_NUMBERS
from tests.model.effects.alone import DEFAULT_NOISE, plant_with
from tests.model.scene import BEACONS, LEVEL, START, TICK, a_vehicle, open_valves, receivers

SOUND = 343.2 * math.sqrt(BEACONS.air_temperature / 293.15)
WHERE = np.array([0.3, -0.2, 0.45])
CYCLE = 250_000_000
CYCLES = 60
SEEDS = range(150)


def with_figures(**figures):
    return DEFAULT_NOISE.model_copy(update={"ranging": DEFAULT_NOISE.ranging.model_copy(update=figures)})


def placed(plant):
    plant.place(0, WHERE, LEVEL, START)
    return plant


def listen(plant, cycles=1, seed=None, index=0):
    """Listen to some cycles while nothing moves; without a seed, with numbers that neither lose nor disturb.

    Returns for each cycle a mapping from beacon and receiver to the measured distance, m.
    """
    rng = None if seed is None else np.random.default_rng(seed)
    ranges = np.zeros(1, messages.RANGES)[0]
    found = []
    for k in range(cycles * 25):
        normals = np.zeros(RANGE_NUMBERS) if rng is None else rng.standard_normal(RANGE_NUMBERS)
        uniforms = np.full(RANGE_NUMBERS, 0.999999) if rng is None else rng.random(RANGE_NUMBERS)
        plant.listen(index, START + k * TICK, normals, uniforms)
        if k % 25 == 24:
            plant.take_ranges(index, START + k // 25 * CYCLE, ranges)
            pairs = zip(ranges["beacon"].tolist(), ranges["receiver"].tolist(), strict=True)
            flights = (ranges["time_of_flight"] * SOUND).tolist()
            found.append(dict(list(zip(pairs, flights, strict=True))[: ranges["count"]]))
    return found


def distances():
    """The true distances of the vehicle at WHERE."""
    return {
        (b, r): float(np.linalg.norm(np.array(beacon.position) - WHERE - receiver.position))
        for b, beacon in enumerate(BEACONS.beacons)
        for r, receiver in enumerate(receivers())
    }


def errors(cycles):
    true = distances()
    return np.array([measured - true[pair] for cycle in cycles for pair, measured in cycle.items()])


def assert_spread(values, deviation):
    assert np.std(values) == pytest.approx(deviation, rel=4.0 / math.sqrt(2.0 * len(values)))
    assert abs(np.mean(values)) < 4.0 * deviation / math.sqrt(len(values))


def assert_share(count, asked, share):
    assert count / asked == pytest.approx(share, abs=4.0 * math.sqrt(share * (1.0 - share) / asked))


def noise_grows_with_distance():
    for constant, per_metre in ((0.005, 0.0), (0.0, 0.001), (0.003, 0.002)):
        plant = placed(plant_with(Effect.RANGE_NOISE, noise=with_figures(constant=constant, per_metre=per_metre)))
        true = distances()
        scaled = [
            (measured - true[pair]) / (constant + per_metre * true[pair])
            for cycle in listen(plant, CYCLES, seed=1)
            for pair, measured in cycle.items()
        ]
        assert_spread(scaled, 1.0)


def open_valve(plant):
    open_valves(plant.states[0], {0: 1.0})
    return plant


def loudness(receiver):
    """Of the first valve, open, at a receiver, by the inverse square of their distance."""
    nozzle = np.array(a_vehicle().thrusters.valves[0].position)
    return (0.12 / np.linalg.norm(nozzle - receivers()[receiver].position)) ** 2


def jets_raise_the_noise_by_the_inverse_square_of_distance():
    effects = (Effect.VALVE_NOISE_ON_RANGES, Effect.RANGE_NOISE)  # without noise nothing grows
    plant = open_valve(placed(plant_with(*effects, noise=with_figures(constant=0.005, per_metre=0.0))))
    true, cycles = distances(), listen(plant, CYCLES, seed=2)
    for receiver in range(8):
        found = [m - true[pair] for cycle in cycles for pair, m in cycle.items() if pair[1] == receiver]
        assert_spread(found, 0.005 * math.sqrt(1.0 + (3.0**2 - 1.0) * loudness(receiver)))


def jets_drown_chirps():
    plant = open_valve(placed(plant_with(Effect.VALVE_DROPOUT, noise=with_figures(valve_dropout=0.3))))
    cycles = listen(plant, CYCLES, seed=3)
    for receiver in range(8):
        heard = sum(pair[1] == receiver for cycle in cycles for pair in cycle)
        assert_share(heard, 6 * CYCLES, 0.7 ** loudness(receiver))


def chirps_are_lost_at_random():
    cycles = listen(placed(plant_with(Effect.DROPOUT)), CYCLES, seed=4)
    assert_share(sum(map(len, cycles)), 48 * CYCLES, 0.98)


def echoes_come_late_by_their_detour():
    noise = with_figures(multipath=0.2, multipath_shortest=0.02, multipath_longest=0.15)
    found = errors(listen(placed(plant_with(Effect.MULTIPATH, noise=noise)), CYCLES, seed=5))
    echoes = found[found > 1e-9]
    assert_share(len(echoes), len(found), 0.2)
    assert np.abs(found[found <= 1e-9]).max() < 1e-12
    assert echoes.min() > 0.02
    assert echoes.max() < 0.15
    assert echoes.mean() == pytest.approx(0.085, abs=4.0 * 0.13 / math.sqrt(12.0 * len(echoes)))


def beacons_stand_beside_their_surveyed_places():
    places = [plant_with(Effect.SURVEY_ERROR, seed=seed).world[0]["beacon_position"][:6] for seed in SEEDS]
    surveyed = np.array([beacon.position for beacon in BEACONS.beacons])
    assert_spread((np.array(places) - surveyed).ravel(), 0.002)
    found = listen(placed(plant_with(Effect.SURVEY_ERROR, seed=3)))[0]
    for (b, r), measured in found.items():
        apart = np.linalg.norm(places[3][b] - WHERE - receivers()[r].position)
        assert measured == pytest.approx(apart, rel=1e-12)


def a_kelvin_too_much_makes_ranges_short_by_half_its_share():
    ratios = []
    for seed in SEEDS:
        cycle = listen(placed(plant_with(Effect.AIR_TEMPERATURE_ERROR, seed=seed)))[0]
        ratios += [np.mean([measured / distances()[pair] for pair, measured in cycle.items()]) - 1.0]
    assert_spread(ratios, 0.5 * 0.5 / BEACONS.air_temperature)


def damper_air_makes_ranges_short():
    """By 0.16 of the mole fraction of vapour, which is 2.45 % in saturated air of 21 °C (Cramer; from memory)."""
    damp = BEACONS.model_copy(update={"air_humidity": 0.5})
    ratios = []
    for seed in SEEDS:
        cycle = listen(placed(plant_with(Effect.AIR_HUMIDITY_ERROR, seed=seed, beacons=damp)))[0]
        ratios += [np.mean([measured / distances()[pair] for pair, measured in cycle.items()])]
    assert np.std(ratios) == pytest.approx(0.16 * 0.0245 * 0.05, rel=4.0 / math.sqrt(2.0 * len(ratios)))
    assert 1.0 - np.mean(ratios) == pytest.approx(0.16 * 0.0245 * 0.5, rel=0.05)


def a_late_pulse_shortens_all_ranges_of_a_cycle():
    cycles = listen(placed(plant_with(Effect.PULSE_JITTER, noise=with_figures(pulse_jitter=1e-5))), 400, seed=6)
    shifts = np.array([errors([cycle]) for cycle in cycles])
    assert shifts.shape == (400, 48)
    assert np.ptp(shifts, axis=1).max() < 1e-12
    assert_spread(shifts[:, 0], 1e-5 * SOUND)


def a_missed_pulse_loses_its_cycle():
    cycles = listen(placed(plant_with(Effect.PULSE_MISSED, noise=with_figures(pulse_missed=0.3))), 400, seed=7)
    assert {len(cycle) for cycle in cycles} == {0, 48}
    assert_share(sum(len(cycle) == 48 for cycle in cycles), 400, 0.7)


def receivers_hear_inside_their_cone():
    cycle = listen(placed(plant_with(Effect.RECEIVER_CONE)))[0]
    for b, beacon in enumerate(BEACONS.beacons):
        for r, receiver in enumerate(receivers()):
            path, axis = np.array(beacon.position) - WHERE - receiver.position, np.array(receiver.axis)
            cosine = path @ axis / np.linalg.norm(path) / np.linalg.norm(axis)
            assert ((b, r) in cycle) == (cosine >= math.cos(math.radians(60.0)))


def a_body_in_the_way_hides_what_lies_behind_it():
    ear = Receiver(position=(0.0, 0.0, 0.0), axis=(1.0, 0.0, 0.0))
    low = BEACONS.beacons[0].model_copy(update={"position": (2.0, 0.0, 0.4)})
    beacons = BEACONS.model_copy(update={"beacons": (low, *BEACONS.beacons[1:])})
    vehicles = (a_vehicle(receivers=(ear, ear, ear)), a_vehicle("siskin"))
    for aside, hidden in ((0.1299, True), (0.1301, False)):  # its body is 0.13 m in radius
        plant = plant_with(Effect.OCCLUSION, vehicles=vehicles, beacons=beacons)
        plant.place(0, np.array([-0.5, 0.0, 0.0]), LEVEL, START)
        plant.place(1, np.array([0.6, aside, 0.0]), LEVEL, START)
        assert ((0, 0) not in listen(plant)[0]) == hidden


CASES = {
    Effect.RANGE_NOISE: noise_grows_with_distance,
    Effect.VALVE_NOISE_ON_RANGES: jets_raise_the_noise_by_the_inverse_square_of_distance,
    Effect.VALVE_DROPOUT: jets_drown_chirps,
    Effect.DROPOUT: chirps_are_lost_at_random,
    Effect.MULTIPATH: echoes_come_late_by_their_detour,
    Effect.SURVEY_ERROR: beacons_stand_beside_their_surveyed_places,
    Effect.AIR_TEMPERATURE_ERROR: a_kelvin_too_much_makes_ranges_short_by_half_its_share,
    Effect.AIR_HUMIDITY_ERROR: damper_air_makes_ranges_short,
    Effect.PULSE_JITTER: a_late_pulse_shortens_all_ranges_of_a_cycle,
    Effect.PULSE_MISSED: a_missed_pulse_loses_its_cycle,
    Effect.RECEIVER_CONE: receivers_hear_inside_their_cone,
    Effect.OCCLUSION: a_body_in_the_way_hides_what_lies_behind_it,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_ideal_ranges_are_the_true_distances():
    cycle = listen(placed(plant_with()), seed=8)[0]
    assert cycle == pytest.approx(distances(), rel=1e-12)
