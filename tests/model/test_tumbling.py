"""Free motion in the cabin: conservation laws, closed forms, order of convergence."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.vehicle import MassProperties
from testbed.model.joined import derive_base
from testbed.model.motion import MOTION, load_motion, store_motion
from testbed.model.tumbling import normalise_turn, runge_kutta
from testbed.model.valves import FORCE, FORCE_SLOPE, TORQUE
from tests.model.scene import CABIN, LEVEL, START, a_plant, run, set_motion, steady

LOPSIDED = MassProperties(
    mass=6.0, inertia=(0.05, 0.065, 0.08), products=(0.004, -0.003, 0.002), centre_of_mass=(0.01, -0.02, 0.015)
)


def momentum(plant, index=0):
    """Linear and angular momentum (about the fixed origin), fixed axes."""
    state, vehicle = plant.states[index], plant.vehicles[index]
    linear = vehicle["mass"] * state["velocity"]
    spin = Rotation.from_quat(state["orientation"]).apply(vehicle["inertia"] @ state["rate"])
    return linear.copy(), np.cross(state["centre"], linear) + spin


def energy(plant, index=0):
    state, vehicle = plant.states[index], plant.vehicles[index]
    turning = state["rate"] @ vehicle["inertia"] @ state["rate"]
    return 0.5 * vehicle["mass"] * state["velocity"] @ state["velocity"] + 0.5 * turning


def step(plant, duration, count, thrust):
    """Step the first body freely under a thrust, shape (4, 3), `count` times, whatever its spin."""
    world, vehicle, state = plant.world[0], plant.vehicles[0], plant.states[0]
    state["thrust"], state["thrusting"] = thrust, 1
    scratch = np.zeros((4, MOTION))
    load_motion(state, scratch[0])
    for _ in range(count):
        runge_kutta(world, vehicle, state, scratch, -0.5 * duration, duration)
        normalise_turn(scratch[0])
    store_motion(state, scratch[0])
    derive_base(state)


def test_free_flight_conserves_momentum_and_energy():
    plant = a_plant(steady(flight=LOPSIDED), room=CABIN.model_copy(update={"size": (9.0, 9.0, 9.0)}))
    set_motion(plant, 0, velocity=(0.05, -0.03, 0.02), rate=(0.2, -0.25, 0.15))
    linear, angular = momentum(plant)
    before = energy(plant)
    run(plant, 6000)  # a minute
    linear_after, angular_after = momentum(plant)
    assert np.allclose(linear_after, linear, rtol=0.0, atol=1e-14)
    assert np.allclose(angular_after, angular, rtol=0.0, atol=1e-12)
    assert energy(plant) == pytest.approx(before, rel=1e-12)


def test_the_centre_of_mass_flies_straight_while_base_link_circles_it():
    plant = a_plant(steady(flight=LOPSIDED), room=CABIN)
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0), rate=(0.0, 0.0, 0.2))
    start = plant.states[0]["centre"].copy()
    run(plant, 500)
    state = plant.states[0]
    assert np.allclose(state["centre"], start + np.array([0.25, 0.0, 0.0]), rtol=0.0, atol=1e-13)
    arm = Rotation.from_quat(state["orientation"]).apply(LOPSIDED.centre_of_mass)
    assert np.allclose(state["position"] + arm, state["centre"], rtol=0.0, atol=1e-15)


def test_a_symmetric_body_precesses_as_the_closed_form_says():
    """Torque-free, axially symmetric: the transverse rate turns at (1 - C/A)·spin (any text on rigid-body dynamics)."""
    symmetric = MassProperties(mass=6.0, inertia=(0.06, 0.06, 0.08))
    plant = a_plant(steady(flight=symmetric), room=CABIN)
    spin, transverse = 0.5, 0.1
    set_motion(plant, 0, rate=(transverse, 0.0, spin))
    run(plant, 1000)
    angle = (0.08 - 0.06) / 0.06 * spin * 10.0
    expected = (transverse * np.cos(angle), transverse * np.sin(angle), spin)
    assert np.allclose(plant.states[0]["rate"], expected, rtol=0.0, atol=1e-12)


def test_a_force_linear_in_time_gives_the_exact_velocity_and_position():
    plant = a_plant(steady(), room=CABIN)
    thrust = np.zeros((4, 3))
    mean, slope, duration = 0.3, 20.0, 0.01
    thrust[FORCE, 0], thrust[FORCE_SLOPE, 0] = mean, slope
    step(plant, duration, 1, thrust)
    state = plant.states[0]
    assert state["velocity"][0] == pytest.approx(mean * duration / 6.0, rel=1e-14)
    exact = (mean * duration**2 / 2 - slope * duration**3 / 12) / 6.0
    assert state["position"][0] == pytest.approx(exact, rel=1e-14)


def test_the_method_is_of_fourth_order():
    def orientation_after(steps):
        plant = a_plant(steady(flight=LOPSIDED), room=CABIN)
        set_motion(plant, 0, rate=(2.0, -1.5, 1.0))
        thrust = np.zeros((4, 3))
        thrust[TORQUE] = 0.05
        step(plant, 1.0 / steps, steps, thrust)
        return plant.states[0]["orientation"].copy()

    exact = orientation_after(1000)
    coarse, fine = (np.linalg.norm(orientation_after(steps) - exact) for steps in (10, 20))
    assert 3.5 < np.log2(coarse / fine) < 5.0


def test_a_vehicle_at_rest_stays_where_it_is_to_the_last_bit():
    plant = a_plant(steady())
    plant.place(0, np.array([0.3, -0.2, 0.0]), LEVEL, START)
    before = plant.states[0]["position"].copy()
    run(plant, 1000)
    assert np.array_equal(plant.states[0]["position"], before)
