"""The surroundings: a frame that turns gives the motion that an inertial one shows."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.spatial.transform import Rotation

from testbed.description.cabin import Orbit, Ventilation
from testbed.description.vehicle import MassProperties
from testbed.model.environment import air_flow
from tests.model.scene import CABIN, FLAT, START, a_plant, run, set_motion, steady
from tests.model.test_inertial_sensor import sample

RATE = 0.00113


def orbiting(rate=RATE, steady_acceleration=(0.0, 0.0, 0.0)):
    return CABIN.model_copy(update={"orbit": Orbit(rate=rate, steady_acceleration=steady_acceleration)})


def test_a_body_set_free_in_orbit_follows_the_closed_form_of_clohessy_and_wiltshire():
    plant = a_plant(steady(), room=orbiting())
    start, velocity = np.array([0.1, 0.5, 0.4]), np.array([0.002, -0.001, 0.0015])
    plant.place(0, start, np.array([0.0, 0.0, 0.0, 1.0]), START)
    set_motion(plant, 0, velocity=velocity)
    seconds = 200.0
    run(plant, round(seconds * 100))
    # in their axes: x away from the Earth, y along the flight, z along the normal, so that (x, y, z) = (z, x, -y) here
    x0, y0, z0 = start[2], start[0], start[1]
    vx, vy, vz = velocity[2], velocity[0], velocity[1]
    s, c, angle = math.sin(RATE * seconds), math.cos(RATE * seconds), RATE * seconds
    x = (4 - 3 * c) * x0 + s / RATE * vx + 2 / RATE * (1 - c) * vy
    y = 6 * (s - angle) * x0 + y0 - 2 / RATE * (1 - c) * vx + (4 * s - 3 * angle) / RATE * vy
    z = z0 * c + vz / RATE * s
    assert plant.states[0]["centre"] == pytest.approx([y, z, x], rel=1e-10)


def test_a_body_that_turns_in_orbit_agrees_with_an_integration_in_inertial_space():
    inertia = np.array([[0.062, 0.001, -0.002], [0.001, 0.065, 0.003], [-0.002, 0.003, 0.080]])
    body = MassProperties(mass=6.0, inertia=(0.062, 0.065, 0.080), products=(0.001, -0.002, 0.003))
    plant = a_plant(steady(flight=body), room=orbiting(rate=0.01))
    w0, seconds = np.array([0.05, -0.08, 0.03]), 60.0
    set_motion(plant, 0, rate=w0)
    run(plant, round(seconds * 100))

    def slope(time, y):
        # orientation against inertial space, inertial rate along body axes
        turned = Rotation.from_quat(y[:4])
        up = turned.inv().apply(Rotation.from_rotvec([0.0, 0.01 * time, 0.0]).apply([0.0, 0.0, 1.0]))
        torque = 3.0 * 0.01**2 * np.cross(up, inertia @ up) - np.cross(y[4:], inertia @ y[4:])
        x, yy, z, w = y[:4]
        a, b, c = y[4:]
        q = 0.5 * np.array(
            [w * a + yy * c - z * b, w * b + z * a - x * c, w * c + x * b - yy * a, -x * a - yy * b - z * c]
        )
        return np.concatenate([q, np.linalg.solve(inertia, torque)])

    begin = np.concatenate([[0.0, 0.0, 0.0, 1.0], w0 + np.array([0.0, 0.01, 0.0])])
    end = solve_ivp(slope, (0.0, seconds), begin, rtol=1e-11, atol=1e-13).y[:, -1]
    frame = Rotation.from_rotvec([0.0, 0.01 * seconds, 0.0])
    seen = frame.inv() * Rotation.from_quat(end[:4])
    apart = (seen.inv() * Rotation.from_quat(plant.states[0]["orientation"])).magnitude()
    assert apart < 1e-8
    along_body = Rotation.from_quat(end[:4]).inv().apply([0.0, 0.01, 0.0])
    assert plant.states[0]["rate"] == pytest.approx(end[4:] - along_body, abs=1e-9)
    # without the terms of the frame the difference would be this large
    assert 0.01 * seconds > 0.5


def test_the_gyro_feels_the_orbit_and_the_truth_does_not():
    plant = a_plant(steady(), room=orbiting())
    plant.place(0, np.zeros(3), Rotation.from_euler("x", 90, degrees=True).as_quat(), START)
    run(plant, 1)
    assert sample(plant)["angular_velocity"] == pytest.approx([0.0, 0.0, -RATE], abs=1e-9)
    assert np.abs(plant.states[0]["rate"]).max() < 1e-9


def test_an_accelerometer_feels_nothing_of_an_orbit_at_the_centre_of_mass():
    plant = a_plant(steady(), room=orbiting(steady_acceleration=(1e-5, 0.0, 0.0)))
    plant.place(0, np.array([0.3, 0.4, 0.5]), np.array([0.0, 0.0, 0.0, 1.0]), START)
    set_motion(plant, 0, velocity=(0.05, 0.03, -0.08))
    run(plant, 10)
    # the sensor takes the frame's terms at the end of a tick: 5 ms late
    assert np.abs(sample(plant)["linear_acceleration"]).max() < 2e-9
    assert 2.0 * RATE * 0.08 > 1.8e-4


def test_the_gyro_on_a_table_at_rest_feels_the_earth():
    plant = a_plant(steady(), room=FLAT.model_copy(update={"earth_rate": 7.292115e-5, "latitude_deg": 30.0}))
    run(plant, 1)
    level = 7.292115e-5 * math.cos(math.radians(30.0))  # north is along y
    assert sample(plant)["angular_velocity"] == pytest.approx([0.0, level, 7.292115e-5 / 2.0], abs=1e-12)


BOX = np.array(CABIN.size)
PLANT = a_plant(
    steady(),
    room=CABIN.model_copy(update={"ventilation": Ventilation(velocity=(0.0, 0.02, 0.0), circulation_speed=0.1)}),
)


@settings(deadline=None)
@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_the_roll_of_air_neither_gains_nor_loses_any_and_stays_inside(x, y, z):
    world, h = PLANT.world[0], 1e-5
    point = np.array([x, y, z]) * (BOX / 2.0 - h)

    def flow(at):
        return np.array(air_flow(world, tuple(at)))

    divergence = sum((flow(point + h * e)[i] - flow(point - h * e)[i]) / (2 * h) for i, e in enumerate(np.eye(3)))
    assert abs(divergence) < 1e-8
    assert abs(flow([BOX[0] / 2.0, point[1], point[2]])[0]) < 1e-12
    assert abs(flow([point[0], point[1], BOX[2] / 2.0])[2]) < 1e-12
