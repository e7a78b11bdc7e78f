"""Free motion on the table: held axes, and accuracy against an independent integration, beside a Runge-Kutta step."""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from testbed.description.rotation import from_heading, heading
from testbed.description.vehicle import MassProperties
from testbed.model.gliding import glide, turn_by
from testbed.model.valves import FORCE, FORCE_SLOPE, TORQUE, TORQUE_SLOPE
from tests.model.scene import FLAT, START, a_plant, set_motion, steady

TICK = 0.01
LOPSIDED = MassProperties(mass=13.0, inertia=(0.2, 0.25, 0.3), centre_of_mass=(0.03, -0.02, -0.2))


def gliding(thrust, rate):
    """A vehicle on a tilted table with an air film, turned, moving, and under thrust."""
    room = FLAT.model_copy(update={"tilt_mrad": (0.3, -0.2), "film_drag_time": 300.0})
    plant = a_plant(steady(floor=LOPSIDED), room=room)
    plant.place(0, np.array([0.2, -0.1, 0.0]), np.array(from_heading(0.7)), START)
    set_motion(plant, 0, velocity=(0.06, -0.03, 0.0), rate=(0.0, 0.0, rate))
    plant.states[0]["thrust"], plant.states[0]["thrusting"] = thrust, 1
    return plant


def a_thrust():
    thrust = np.zeros((4, 3))
    thrust[FORCE, :2], thrust[FORCE_SLOPE, :2] = (0.25, -0.1), (12.0, 9.0)
    thrust[TORQUE, 2], thrust[TORQUE_SLOPE, 2] = 0.04, 3.0
    return thrust


def slope_of(plant):
    """The equations of motion as they stand in a textbook; y: x, y, heading, and their speeds."""
    world, vehicle, state = plant.world[0], plant.vehicles[0], plant.states[0]
    thrust, mass, moment = state["thrust"].copy(), float(vehicle["mass"]), float(vehicle["inertia"][2, 2])
    drag, turning, spin_drag = (float(vehicle[key]) for key in ("film_drag", "film_drag_rotation", "spin_drag"))
    tilt, frame = world["tilt"], 2.0 * world["frame_rate"][2]

    def slope(t, y):
        fx, fy = thrust[FORCE, :2] + (t - TICK / 2) * thrust[FORCE_SLOPE, :2]
        c, s = math.cos(y[2]), math.sin(y[2])
        ax = (c * fx - s * fy - drag * y[3]) / mass - world["gravity"] * tilt[0] + frame * y[4]
        ay = (s * fx + c * fy - drag * y[4]) / mass - world["gravity"] * tilt[1] - frame * y[3]
        torque = thrust[TORQUE, 2] + (t - TICK / 2) * thrust[TORQUE_SLOPE, 2]
        return y[3], y[4], y[5], ax, ay, (torque - (turning + spin_drag * abs(y[5])) * y[5]) / moment

    return slope


def glide_on(plant):
    world_state = plant.world_state[0]
    glide(plant.world[0], plant.vehicles, world_state, plant.states, world_state["near"][:1], TICK)


def motion(plant):
    state = plant.states[0]
    return np.array([*state["centre"][:2], heading(state["orientation"]), *state["velocity"][:2], state["rate"][2]])


def a_runge_kutta_step(slope, y):
    k1 = np.array(slope(0.0, y))
    k2 = np.array(slope(TICK / 2, y + TICK / 2 * k1))
    k3 = np.array(slope(TICK / 2, y + TICK / 2 * k2))
    k4 = np.array(slope(TICK, y + TICK * k3))
    return y + TICK / 6 * (k1 + 2 * k2 + 2 * k3 + k4)


@pytest.mark.parametrize("rate_deg", [0.0, 15.0, -150.0, 1500.0])
def test_a_tick_is_at_least_as_exact_as_one_of_runge_kutta(rate_deg):
    plant = gliding(a_thrust(), math.radians(rate_deg))
    begin, slope = motion(plant), slope_of(plant)
    exact = solve_ivp(slope, (0.0, TICK), begin, method="DOP853", rtol=3e-14, atol=1e-18).y[:, -1]
    exact[2] = math.remainder(exact[2], math.tau)
    theirs = a_runge_kutta_step(slope, begin) - exact
    glide_on(plant)
    ours = motion(plant) - exact
    theirs[2] = math.remainder(theirs[2], math.tau)
    rounding = 1e-16 * np.array([1.0, 1.0, 4.0, 1.0, 1.0, 30.0])
    assert np.all(np.abs(ours) <= np.maximum(1.001 * np.abs(theirs), 4.0 * rounding)), (ours, theirs)


def test_the_table_holds_height_roll_and_pitch_whatever_pushes():
    thrust = np.zeros((4, 3))
    thrust[FORCE], thrust[TORQUE] = (0.1, 0.2, 0.3), (0.03, 0.04, 0.05)
    products = LOPSIDED.model_copy(update={"products": (0.004, -0.003, 0.002)})
    plant = a_plant(steady(floor=products))
    state = plant.states[0]
    set_motion(plant, 0, rate=(0.0, 0.0, 0.1))
    state["thrust"], state["thrusting"] = thrust, 1
    for _ in range(300):
        glide_on(plant)
    assert state["position"][2] == 0.45
    assert state["velocity"][2] == 0.0
    assert np.all(state["rate"][:2] == 0.0)
    assert np.all(state["orientation"][:2] == 0.0)
    # the held axes supply what the products of inertia ask for, so yaw obeys its own moment alone
    assert state["rate"][2] == pytest.approx(0.1 + 0.05 * 3.0 / 0.3, rel=1e-12)


def test_base_link_follows_from_the_centre_of_mass():
    plant = gliding(a_thrust(), 0.2)
    state = plant.states[0]
    for _ in range(200):
        glide_on(plant)
    angle, (cx, cy) = heading(state["orientation"]), LOPSIDED.centre_of_mass[:2]
    c, s = math.cos(angle), math.sin(angle)
    arm = np.array([c * cx - s * cy, s * cx + c * cy])
    assert state["position"][:2] == pytest.approx(state["centre"][:2] - arm, abs=1e-15)
    moving = state["velocity"][:2] - state["rate"][2] * np.array([-arm[1], arm[0]])
    assert state["linear_velocity"][:2] == pytest.approx([c * moving[0] + s * moving[1], c * moving[1] - s * moving[0]])
    assert np.linalg.norm(state["orientation"]) == pytest.approx(1.0, abs=1e-15)


@pytest.mark.parametrize("angle", [0.0, 1e-9, 0.0499, -0.0499, 0.0501, 2.0])
def test_small_angles_turn_as_large_ones_do(angle):
    assert turn_by(angle) == pytest.approx((math.cos(angle), math.sin(angle)), abs=1e-16, rel=1e-15)
