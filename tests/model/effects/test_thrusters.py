"""Each imperfection of the thrusters alone: a pulse of one valve against its closed form."""

import math

import numpy as np
import pytest

from testbed.description.effects import Effect
from testbed.description.messages import MAX_VALVES
from testbed.description.vehicle import ThrusterSet, Valve
from testbed.model.schedule import Verdict
from tests.model.effects.alone import plant_with
from tests.model.scene import CABIN, LEVEL, START, TICK, a_schedule, a_vehicle, run

THRUST, MASS = 0.15, 6.0
ON_TIME = 0.0437
MINIMUM_ON = 0.010
VALVE = 0
CENTRAL = Valve(name="central", position=(0.0, 0.0, -0.13), exhaust=(0.0, 0.0, -1.0), thrust=THRUST)
"""It pushes through the centre of mass, so that nothing turns."""
SEEDS = range(200)


def pushed(**common):
    """A vehicle with one valve; `common` are parameters of its thrusters."""
    return (a_vehicle().model_copy(update={"thrusters": ThrusterSet(valves=(CENTRAL,), **common)}),)


def pulse(plant, on_time=ON_TIME, valves=(VALVE,), noise=None):
    """Command one pulse and let it end; return the impulse on the body, N·s, fixed axes."""
    schedule = a_schedule(START + 2 * TICK, (0.0, valves), (on_time, ()))
    assert plant.accept_schedule(0, schedule, START) == Verdict.ACCEPTED
    run(plant, 30, noise=noise)
    return plant.states[0]["velocity"] * MASS


def impulse(*effects, on_time=ON_TIME, **common):
    """Size of the impulse of a pulse of the central valve."""
    return float(np.linalg.norm(pulse(plant_with(*effects, room=CABIN, vehicles=pushed(**common)), on_time)))


def a_delay_moves_the_pulse_and_lengthens_it_by_the_difference():
    for on_time in (MINIMUM_ON, ON_TIME):
        expected = THRUST * (on_time - 0.006 + 0.011)
        assert impulse(Effect.VALVE_DELAY, on_time=on_time, opening_delay=0.006, closing_delay=0.011) == pytest.approx(
            expected, rel=1e-12
        )


def ramps_take_half_the_rise_and_give_half_the_fall():
    for on_time in (MINIMUM_ON, ON_TIME):
        expected = THRUST * (on_time - 0.006 / 2 + 0.002 / 2)
        assert impulse(Effect.VALVE_RAMP, on_time=on_time, rise_time=0.006, fall_time=0.002) == pytest.approx(
            expected, rel=1e-12
        )


def jitter_spreads_the_length_of_a_pulse_by_that_of_two_delays():
    # Without delays a jitter can only be late, so the delays stay on; two independent delays end the pulse.
    jitter, effects = 0.0005, (Effect.VALVE_JITTER, Effect.VALVE_DELAY)
    rng = np.random.default_rng(7)
    plants = [plant_with(*effects, room=CABIN, vehicles=pushed(delay_jitter=jitter)) for _ in SEEDS]
    sizes = [np.linalg.norm(pulse(plant, noise=rng.standard_normal((1, MAX_VALVES, 2)))) for plant in plants]
    times = np.array(sizes) / THRUST - (ON_TIME - 0.006 + 0.005)
    spread = math.sqrt(2.0) * jitter
    assert abs(times.mean()) < 4.0 * spread / math.sqrt(len(times))
    assert times.std(ddof=1) == pytest.approx(spread, rel=4.0 / math.sqrt(2 * len(times)))


def each_valve_has_its_own_thrust_with_the_spread_of_the_noise_file():
    thrusts = np.concatenate(
        [plant_with(Effect.THRUST_SPREAD, room=CABIN, seed=seed).vehicles[0]["valve_thrust"][:12] for seed in SEEDS]
    )
    errors = thrusts / THRUST - 1.0
    assert abs(errors.mean()) < 4.0 * 0.03 / math.sqrt(len(errors))
    assert errors.std() == pytest.approx(0.03, rel=4.0 / math.sqrt(2 * len(errors)))
    plant = plant_with(Effect.THRUST_SPREAD, room=CABIN, vehicles=pushed())
    expected = plant.vehicles[0]["valve_thrust"][VALVE] * ON_TIME
    assert np.linalg.norm(pulse(plant)) == pytest.approx(expected, rel=1e-12)


def nozzles_lean_with_the_spread_of_the_vehicle_file():
    lean = math.radians(0.5)
    leaning = (a_vehicle(thrusters={"misalignment_deg": 0.5}),)
    plants = [plant_with(Effect.MISALIGNMENT, room=CABIN, vehicles=leaning, seed=seed) for seed in SEEDS]
    forces = np.array([plant.vehicles[0]["valve_force"][:12] for plant in plants])
    wanted = a_vehicle().thrusters.wrench_matrix((0.0, 0.0, 0.0))[:3].T
    sines = np.linalg.norm(np.cross(forces, wanted), axis=2) / THRUST**2
    assert np.linalg.norm(forces, axis=2) == pytest.approx(THRUST, rel=1e-12)
    angles = np.arcsin(sines)
    # two independent angles: the square of the whole is chi-square with two degrees of freedom
    count = angles.size
    assert np.mean(angles**2) == pytest.approx(2.0 * lean**2, rel=4.0 / math.sqrt(count))
    plant = plant_with(Effect.MISALIGNMENT, room=CABIN, vehicles=pushed(misalignment_deg=0.5))
    force = plant.vehicles[0]["valve_force"][VALVE]
    assert pulse(plant) == pytest.approx(force * ON_TIME, rel=1e-3)  # it also turns a little


def a_jet_that_hits_a_partner_squarely_pushes_it_with_what_is_left_at_its_distance():
    reach, distance = 0.8, 0.4
    vehicles = (*pushed(), a_vehicle("siskin"))
    plant = plant_with(Effect.PLUME, room=CABIN, vehicles=vehicles)
    plant.place(0, np.zeros(3), LEVEL, START)
    below = CENTRAL.position[2] - distance
    plant.place(1, np.array([0.0, 0.0, below]), LEVEL, START)
    own = pulse(plant)
    assert own == pytest.approx([0.0, 0.0, THRUST * ON_TIME], rel=1e-12, abs=1e-15)  # who fires keeps its thrust
    caught = 1.0 - (distance / reach) ** 2
    partner = plant.states[1]["velocity"] * MASS
    # the pair drifts apart by 0.1 mm meanwhile
    assert partner == pytest.approx([0.0, 0.0, -caught * THRUST * ON_TIME], rel=1e-3, abs=1e-15)
    assert np.all(plant.states[1]["rate"] == 0.0)


CASES = {
    Effect.MISALIGNMENT: nozzles_lean_with_the_spread_of_the_vehicle_file,
    Effect.PLUME: a_jet_that_hits_a_partner_squarely_pushes_it_with_what_is_left_at_its_distance,
    Effect.VALVE_DELAY: a_delay_moves_the_pulse_and_lengthens_it_by_the_difference,
    Effect.VALVE_JITTER: jitter_spreads_the_length_of_a_pulse_by_that_of_two_delays,
    Effect.VALVE_RAMP: ramps_take_half_the_rise_and_give_half_the_fall,
    Effect.THRUST_SPREAD: each_valve_has_its_own_thrust_with_the_spread_of_the_noise_file,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


@pytest.mark.parametrize("on_time", [MINIMUM_ON, ON_TIME])
def test_in_the_ideal_world_a_pulse_is_thrust_times_time(on_time):
    assert impulse(on_time=on_time) == pytest.approx(THRUST * on_time, rel=1e-12)


def test_the_smallest_impulse_is_that_of_the_shortest_on_time_with_delays_and_ramps():
    bit = impulse(Effect.VALVE_DELAY, Effect.VALVE_RAMP, on_time=MINIMUM_ON)
    assert bit == pytest.approx(THRUST * (MINIMUM_ON - 0.006 + 0.005 - 0.001 + 0.001), rel=1e-12)
    assert bit / 13.0 == pytest.approx(0.10e-3, rel=0.05)  # 0.1 mm/s of a vehicle on the floor
