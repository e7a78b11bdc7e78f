"""Conservation laws of mechanics, held for ten minutes of free flight.

Without forces a rigid body keeps its momentum, its angular momentum along fixed axes and its kinetic energy; on a
tilted plane without friction kinetic and potential energy together (any text on mechanics). Bound: 1e-9 of each.
"""

import numpy as np
import pytest

from testbed.description.effects import Effect
from testbed.description.vehicle import MassProperties
from tests.model.effects.alone import plant_with
from tests.model.mechanics import height_energy, kinetic_energy, spin_momentum
from tests.model.scene import CABIN, FLAT, START, run, set_motion, steady

TEN_MINUTES = 60_000
RELATIVE = 1e-9
LOPSIDED = MassProperties(
    mass=6.0, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
)
FLOOR = MassProperties(mass=13.0, inertia=(0.25, 0.26, 0.24), centre_of_mass=(0.012, -0.008, -0.2))
FAST_SPIN = np.radians(150.0)
"""Ten times the limit of a vehicle's rate."""
WIDE = FLAT.model_copy(update={"outline": ((-1e3, -1e3), (1e3, -1e3), (1e3, 1e3), (-1e3, 1e3))})
OPEN = CABIN.model_copy(update={"size": (2e3, 2e3, 2e3)})


def relative(after, before):
    return np.linalg.norm(np.subtract(after, before)) / np.linalg.norm(before)


def spins():
    """About the axis of largest, middle (unstable: it tumbles) and smallest moment, and about none; slow and fast."""
    principal = np.linalg.eigh(LOPSIDED.inertia_tensor())[1].T
    names = ("smallest", "middle", "largest")
    for name, axis in zip(names, principal, strict=True):
        yield pytest.param(FAST_SPIN * axis + np.array([1e-3, -1e-3, 1e-3]), id=f"about the {name}")
    yield pytest.param(FAST_SPIN * np.array([0.48, -0.6, 0.64]), id="about no axis, at ten times the limit")
    yield pytest.param(0.1 * FAST_SPIN * np.array([0.48, -0.6, 0.64]), id="about no axis, at the limit")


@pytest.mark.parametrize("rate", list(spins()))
def test_in_the_cabin_momentum_and_energy_stay_for_ten_minutes(rate):
    plant = plant_with(vehicles=[steady(flight=LOPSIDED)], room=OPEN)
    set_motion(plant, 0, velocity=(0.7, -0.6, 0.4), rate=rate)
    linear, angular, energy = plant.states[0]["velocity"].copy(), spin_momentum(plant, 0), kinetic_energy(plant)
    run(plant, TEN_MINUTES)
    assert relative(plant.states[0]["velocity"], linear) < RELATIVE
    assert relative(spin_momentum(plant, 0), angular) < RELATIVE
    assert relative(kinetic_energy(plant), energy) < RELATIVE
    assert abs(np.linalg.norm(plant.states[0]["orientation"]) - 1.0) < 1e-12


@pytest.mark.parametrize("rate", [np.radians(15.0), FAST_SPIN], ids=["at the limit", "ten times the limit"])
def test_on_a_level_table_momentum_and_energy_stay_for_ten_minutes(rate):
    plant = plant_with(vehicles=[steady(floor=FLOOR)], room=WIDE)
    set_motion(plant, 0, velocity=(0.6, -0.3, 0.0), rate=(0.0, 0.0, rate))
    velocity, turning, energy = plant.states[0]["velocity"].copy(), plant.states[0]["rate"][2], kinetic_energy(plant)
    run(plant, TEN_MINUTES)
    assert relative(plant.states[0]["velocity"], velocity) < RELATIVE
    assert plant.states[0]["rate"][2] == pytest.approx(turning, rel=RELATIVE)
    assert relative(kinetic_energy(plant), energy) < RELATIVE


@pytest.mark.parametrize("tilt_mrad", [(0.08, -0.06), (0.3, 0.2)], ids=str)
def test_on_a_tilted_table_a_body_flies_as_a_ball_does_for_ten_minutes(tilt_mrad):
    room = WIDE.model_copy(update={"tilt_mrad": tilt_mrad})
    plant = plant_with(Effect.TILT, vehicles=[steady(floor=FLOOR)], room=room)
    velocity = np.array([0.5, 0.3, 0.0])
    set_motion(plant, 0, velocity=velocity, rate=(0.0, 0.0, FAST_SPIN))
    start, tilt = plant.states[0]["centre"].copy(), np.array(tilt_mrad) * 1e-3

    def energy():
        return kinetic_energy(plant) + height_energy(plant, tilt, room.gravity) - reference

    reference = height_energy(plant, tilt, room.gravity)
    before = energy()
    downhill = -room.gravity * np.array([*tilt, 0.0])
    for minute in range(10):
        stamp = START + minute * 60 * 10**9
        run(plant, TEN_MINUTES // 10, stamp)
        elapsed = 60.0 * (minute + 1)
        assert relative(energy(), before) < RELATIVE
        fallen = start + velocity * elapsed + 0.5 * downhill * elapsed**2
        assert np.allclose(plant.states[0]["centre"], fallen, rtol=RELATIVE, atol=0.0)
        assert np.allclose(plant.states[0]["velocity"], velocity + downhill * elapsed, rtol=RELATIVE, atol=1e-12)


def test_many_at_once_keep_what_one_alone_keeps():
    count = 16
    vehicles = [steady(f"v{k}", flight=LOPSIDED) for k in range(count)]
    plant = plant_with(vehicles=vehicles, room=OPEN)
    random = np.random.default_rng(1)
    for k in range(count):
        plant.place(k, np.array([10.0 * k, 0.0, 0.0]), random.normal(size=4), START)
        set_motion(plant, k, velocity=random.normal(scale=0.01, size=3), rate=random.normal(size=3))
    momenta = [spin_momentum(plant, k) for k in range(count)]
    energies = [kinetic_energy(plant, [k]) for k in range(count)]
    run(plant, TEN_MINUTES // 10)
    for k in range(count):
        assert relative(spin_momentum(plant, k), momenta[k]) < RELATIVE
        assert relative(kinetic_energy(plant, [k]), energies[k]) < RELATIVE
