"""Gyro and accelerometer: what they measure, and the slopes of their noise."""

import math

import allantools
import numpy as np
import pytest

from testbed.description import messages
from testbed.description.noise import AccelerometerNoise, GyroNoise
from testbed.description.vehicle import InertialSensor
from testbed.model.draws import IMU_NORMALS
from tests.model.scene import CABIN, FLAT, SILENCE, START, TICK, a_plant, a_schedule, run, set_motion, steady
from tests.model.test_bodies import LOPSIDED


def sample(plant, stamp=START, noise=None):
    imu = np.zeros(1, messages.IMU)[0]
    plant.sense_imu(0, stamp, np.zeros(IMU_NORMALS) if noise is None else noise, imu)
    return imu


def record(plant, samples, seed):
    """Rates and forces of a vehicle at rest, shapes (samples, 3)."""
    noise = np.random.default_rng(seed).standard_normal((samples, IMU_NORMALS))
    imu = np.zeros(samples, messages.IMU)
    for k in range(samples):
        plant.sense_imu(0, START, noise[k], imu[k])
    return imu["angular_velocity"], imu["linear_acceleration"]


def test_at_rest_it_feels_the_floor_push_up_and_in_the_cabin_nothing():
    assert sample(a_plant(steady()))["linear_acceleration"].tolist() == [0.0, 0.0, 9.80665]
    assert not sample(a_plant(steady(), room=CABIN))["linear_acceleration"].any()


def test_gliding_down_a_tilt_it_feels_no_sideways_force():
    plant = a_plant(steady(), room=FLAT.model_copy(update={"tilt_mrad": (0.2, 0.1)}))
    run(plant, 100)
    force = sample(plant)["linear_acceleration"]
    assert force == pytest.approx([0.0, 0.0, 9.80665], abs=1e-12)


def test_the_rates_times_the_tick_add_up_to_the_angle_turned():
    plant = a_plant(steady())
    plant.accept_schedule(0, a_schedule(START, (0.0, (1, 6)), (0.1, ())), START)
    turned = 0.0
    for k in range(30):
        run(plant, 1, START + k * TICK)
        turned += sample(plant)["angular_velocity"][2] * 0.01
    assert abs(turned) > 1e-3
    assert 2.0 * math.atan2(*plant.states[0]["orientation"][2:]) == pytest.approx(turned, rel=1e-12)


def test_the_forces_times_the_tick_add_up_to_the_thrust_over_the_mass():
    plant = a_plant(steady(), room=CABIN)
    plant.accept_schedule(0, a_schedule(START, (0.0, (1, 7)), (0.0333, ())), START)
    total = np.zeros(3)
    for k in range(30):
        run(plant, 1, START + k * TICK)
        total += sample(plant)["linear_acceleration"] * 0.01
    vehicle, impulse = plant.vehicles[0], plant.states[0]["valve_impulse"]
    assert total == pytest.approx(impulse[:12] / 0.15 @ vehicle["valve_force"][:12] / 6.0, rel=1e-6, abs=1e-9)


def test_off_the_centre_of_mass_it_feels_the_centripetal_acceleration():
    sensor = InertialSensor(position=(0.06, -0.02, 0.015))
    plant = a_plant(
        steady(inertial_sensor=sensor, flight=LOPSIDED.model_copy(update={"products": (0, 0, 0)})), room=CABIN
    )
    set_motion(plant, 0, rate=(0.0, 0.0, 0.4))
    run(plant, 1)
    force = sample(plant)["linear_acceleration"]
    assert force == pytest.approx([-(0.4**2) * 0.05, 0.0, 0.0], abs=1e-9)


def test_bias_scale_and_range_act_on_each_axis():
    plant = a_plant(steady(), room=CABIN)
    vehicle = plant.vehicles[0]
    vehicle["gyro_turn_on_bias"], vehicle["gyro_scale"] = (0.01, -0.02, 0.03), (0.1, 0.0, -0.1)
    vehicle["accelerometer_bias"] = (0.5, -0.5, 100.0)
    plant.states[0]["mean_rate"] = (1.0, 2.0, 50.0)
    imu = sample(plant)
    assert imu["angular_velocity"] == pytest.approx([1.11, 1.98, math.radians(250.0)], rel=1e-14)
    assert imu["linear_acceleration"].tolist() == [0.5, -0.5, 40.0]


def test_white_noise_has_the_allan_slope_and_level_of_its_density():
    gyro = GyroNoise(density_deg=0.01, bias_instability_deg_per_hour=0.0, turn_on_bias_deg=0.0, scale_error=0.0)
    accelerometer = AccelerometerNoise(density=0.002, turn_on_bias=0.0)
    plant = a_plant(
        steady(), room=CABIN, noise=SILENCE.model_copy(update={"gyro": gyro, "accelerometer": accelerometer})
    )
    rates, forces = record(plant, 40_000, seed=5)
    for signal, density in ((rates[:, 2], math.radians(0.01)), (forces[:, 0], 0.002)):
        times, deviation, _, _ = allantools.oadev(signal, rate=100.0, data_type="freq", taus=[0.1, 1.0])
        # angle random walk: density / sqrt(time), IEEE Std 952; tolerances are three standard errors of the estimate
        assert deviation[0] * math.sqrt(times[0]) == pytest.approx(density, rel=0.03)
        assert deviation[1] * math.sqrt(times[1]) == pytest.approx(density, rel=0.10)


def test_the_drift_has_the_spread_and_correlation_time_that_the_noise_file_states():
    gyro = GyroNoise(
        density_deg=0.0, bias_instability_deg_per_hour=3600.0, bias_time=0.5, turn_on_bias_deg=0.0, scale_error=0.0
    )
    plant = a_plant(steady(), room=CABIN, noise=SILENCE.model_copy(update={"gyro": gyro}))
    rates, _ = record(plant, 40_000, seed=6)
    drift = rates[500:]
    assert drift.std(axis=0) == pytest.approx(math.radians(1.0), rel=0.15)
    later = 50
    correlation = np.array([np.corrcoef(drift[:-later, axis], drift[later:, axis])[0, 1] for axis in range(3)])
    assert correlation == pytest.approx(math.exp(-1.0), abs=0.12)
