"""What holds whatever happens: conservation, dissipation, unit quaternions, gas that runs out, nothing passes through.

Speeds and spins go up to ten times the limits of a vehicle: 0.7 m/s on the table, 1 m/s in the cabin, 150 degrees/s.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.effects import Effect
from testbed.description.vehicle import MassProperties
from testbed.model.draws import Draws
from tests.model.effects.alone import plant_with
from tests.model.mechanics import angular_momentum, kinetic_energy, linear_momentum
from tests.model.scene import CABIN, FLAT, START, TICK, a_vehicle, run, set_motion

FAST = {"table": 0.7, "cabin": 1.0}
FAST_SPIN = np.radians(150.0)
LOPSIDED = MassProperties(
    mass=6.0, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
)
FLOOR = MassProperties(mass=13.0, inertia=(0.25, 0.26, 0.24), centre_of_mass=(0.012, -0.008, -0.2))

WIDE = {
    "table": FLAT.model_copy(update={"outline": ((-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0))}),
    "cabin": CABIN.model_copy(update={"size": (100.0, 100.0, 100.0)}),
}
NARROW = {"table": FLAT, "cabin": CABIN}
PLACES = pytest.mark.parametrize("place", ["table", "cabin"])
SEEDS = st.integers(0, 2**32 - 1)
COUNTS = st.integers(1, 6)


def scattered(place, room, count, seed, *effects, spacing=1.2):
    """Lopsided vehicles near each other, but not touching, that fly any way at up to ten times the limits."""
    random = np.random.default_rng(seed)
    vehicles = [a_vehicle(f"v{k}").model_copy(update={"flight": LOPSIDED, "floor": FLOOR}) for k in range(count)]
    plant = plant_with(Effect.CONTACT_FRICTION, Effect.CONTACT_DAMPING, *effects, vehicles=vehicles, room=room)
    diameter = 2.0 * max(vehicle.contact_radius(place) for vehicle in vehicles)
    side = int(np.ceil(np.sqrt(count)))
    level = place == "table"
    for k in range(count):
        cell = np.array([k % side, k // side, 0.0]) - 0.5 * (side - 1) * np.array([1.0, 1.0, 0.0])
        turn = (
            Rotation.from_euler("z", random.uniform(-np.pi, np.pi)) if level else Rotation.random(random_state=random)
        )
        plant.place(k, spacing * diameter * cell, turn.as_quat(), START)
        velocity, rate = random.normal(size=3), random.normal(size=3)
        if level:
            velocity[2] = rate[0] = rate[1] = 0.0
        speed, spin = random.uniform(0.0, FAST[place]), random.uniform(0.0, FAST_SPIN)
        velocity *= speed / np.linalg.norm(velocity)
        rate *= spin / np.linalg.norm(rate)
        set_motion(plant, k, velocity=velocity, rate=rate)
    return plant


def all_finite(plant):
    for array in (plant.states, plant.world_state, plant.vehicles):
        for name in array.dtype.names:
            if array.dtype[name].base.kind == "f":
                assert np.isfinite(array[name]).all(), name
    return True


@PLACES
@settings(max_examples=25)
@given(count=COUNTS, seed=SEEDS)
def test_without_thrust_energy_never_grows(place, count, seed):
    drag = (Effect.FILM_DRAG,) if place == "table" else ()
    plant = scattered(place, NARROW[place], count, seed, *drag)
    before = kinetic_energy(plant)

    def never_more(_):
        assert kinetic_energy(plant) <= before * (1.0 + 1e-9)

    run(plant, 150, each=never_more)
    assert all_finite(plant)


@PLACES
@settings(max_examples=25)
@given(count=st.integers(2, 6), seed=SEEDS)
def test_whatever_they_do_to_each_other_momentum_stays(place, count, seed):
    plant = scattered(place, WIDE[place], count, seed)
    linear, angular = linear_momentum(plant), angular_momentum(plant)
    scale = sum(np.linalg.norm(linear_momentum(plant, [k])) for k in range(count))
    run(plant, 150)
    axes = slice(2, 3) if place == "table" else slice(0, 3)  # a table holds the others
    assert np.linalg.norm(linear_momentum(plant) - linear) <= 1e-12 * scale
    assert np.linalg.norm((angular_momentum(plant) - angular)[axes]) <= 1e-12 * max(scale, np.linalg.norm(angular))


@PLACES
@settings(max_examples=15)
@given(count=COUNTS, seed=SEEDS)
def test_orientations_stay_of_unit_length(place, count, seed):
    plant = scattered(place, NARROW[place], count, seed)
    run(plant, 150)
    assert np.linalg.norm(plant.states["orientation"], axis=1) == pytest.approx(1.0, abs=1e-12)


@PLACES
@settings(max_examples=25)
@given(count=COUNTS, seed=SEEDS)
def test_nothing_leaves_the_room(place, count, seed):
    room = NARROW[place]
    plant = scattered(place, room, count, seed)
    half = np.array(room.size) / 2.0 if place == "cabin" else np.array([*room.outline[2], np.inf])

    def inside(_):
        assert np.all(np.abs(plant.states["position"]) < half)

    run(plant, 300, each=inside)


@PLACES
@settings(max_examples=25)
@given(seed=SEEDS, aside=st.floats(-0.3, 0.3), share=st.floats(0.0, 1.0))
def test_two_that_meet_head_on_do_not_pass_through_each_other(place, seed, aside, share):
    """`aside`: distance between their paths over the sum of their radii."""
    plant = scattered(place, WIDE[place], 2, seed, spacing=2.0)
    radius = a_vehicle().contact_radius(place)
    for k, sign in enumerate((1.0, -1.0)):
        orientation = plant.states[k]["orientation"].copy()
        plant.place(k, np.array([-sign * 1.5 * radius, -sign * aside * radius, 0.0]), orientation, START)
        speed = FAST[place] * (share if k else 2.0 - share)
        set_motion(plant, k, velocity=(sign * speed, 0.0, 0.0), rate=plant.states[k]["rate"].copy())

    def apart(_):
        gap = plant.states[1]["position"] - plant.states[0]["position"]
        assert gap[0] > 0.0
        assert np.linalg.norm(gap) > radius

    run(plant, 100, each=apart)


@st.composite
def wild_schedules(draw):
    """What no driver of ours would send: any times, any counts, valves that are not there."""
    schedule = np.zeros(1, messages.SCHEDULE)[0]
    schedule["stamp"] = START + draw(st.integers(-3, 60)) * TICK + draw(st.integers(-9, 9))
    schedule["count"] = draw(st.integers(-1, messages.MAX_POINTS + 1))
    random = np.random.default_rng(draw(SEEDS))
    schedule["offset"] = np.cumsum(random.integers(0, draw(st.integers(1, 20_000_000)), messages.MAX_POINTS))
    valves = draw(st.integers(1, messages.MAX_VALVES))
    schedule["open"][:, :valves] = random.integers(0, 2, (messages.MAX_POINTS, valves))
    if draw(st.booleans()) and 0 < schedule["count"] <= messages.MAX_POINTS:
        schedule["open"][schedule["count"] - 1] = 0
        schedule["offset"] = np.minimum(
            schedule["offset"], 200_000_000 - messages.MAX_POINTS + np.arange(messages.MAX_POINTS)
        )
    return schedule


@PLACES
@settings(max_examples=40)
@given(schedules=st.lists(wild_schedules(), max_size=8), count=st.integers(1, 3), seed=SEEDS)
def test_whatever_is_commanded_everything_stays_finite(place, schedules, count, seed):
    vehicles = [a_vehicle(f"v{k}") for k in range(count)]
    plant = plant_with(*Effect, vehicles=vehicles, room=NARROW[place])
    noise = Draws(seed, 0, count).valves(1)[0]
    mass = plant.states["gas_mass"].copy()
    for tick in range(60):
        now = START + tick * TICK
        for k, schedule in enumerate(schedules):
            if tick % (k + 1) == 0:
                plant.accept_schedule(k % count, schedule, now)
        plant.advance(now, noise)
        assert np.all(plant.states["gas_mass"] <= mass)
        assert np.all(plant.states["gas_mass"] >= 0.0)
        assert np.all((plant.states["opening"] >= 0.0) & (plant.states["opening"] <= 1.0))
        mass = plant.states["gas_mass"].copy()
    assert all_finite(plant)
    assert np.all(plant.states["battery_charge"] >= 0.0)


@settings(max_examples=10)
@given(seed=SEEDS)
def test_gas_runs_out_and_thrust_with_it(seed):
    """A tank that is almost empty gives less and less, never a negative mass, and never an impulse from nothing."""
    vehicle = a_vehicle()
    plant = plant_with(*Effect, vehicles=[vehicle], room=WIDE["cabin"])
    plant.states["gas_mass"] = 1e-4
    random = np.random.default_rng(seed)

    def fire(now):
        schedule = np.zeros(1, messages.SCHEDULE)[0]
        schedule["stamp"], schedule["count"], schedule["offset"][1] = now, 2, 100_000_000
        schedule["open"][0, :12] = random.integers(0, 2, 12)
        if (now - START) % (10 * TICK) == 0:
            plant.accept_schedule(0, schedule, now)

    run(plant, 300, each=fire)
    assert 0.0 <= plant.states[0]["gas_mass"] < 1e-4
    assert plant.states[0]["valve_impulse"].sum() <= 1e-4 * vehicle.gas.specific_impulse * 9.80665 * 1.001
    assert all_finite(plant)
