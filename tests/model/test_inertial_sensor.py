"""Gyro and accelerometer: what they measure, and the slopes of their noise."""

import math

import allantools
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.vehicle import InertialSensor
from testbed.model.draws import IMU_NORMALS
from tests.model.scene import CABIN, FLAT, SILENCE, START, TICK, a_plant, a_schedule, run, set_motion, steady
from tests.model.test_tumbling import LOPSIDED

WHITE = ((SILENCE.gyro, "density_deg", 0.01), (SILENCE.accelerometer, "density", 0.002))


def sample(plant, stamp=START, noise=None):
    imu = np.zeros(1, messages.IMU)[0]
    plant.sense_imu(0, stamp, np.zeros(IMU_NORMALS) if noise is None else noise, imu)
    return imu


def record(plant, samples, seed):
    """Rates and forces of a vehicle at rest, shapes (samples, 3)."""
    noise = np.random.default_rng(seed).standard_normal((samples, IMU_NORMALS))
    imu = np.zeros(samples, messages.IMU)
    for k in range(samples):
        plant.sense_imu(0, START + k * TICK, noise[k], imu[k])
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
    vehicle["gyro_turn_on_bias"], vehicle["gyro_matrix"] = (0.01, -0.02, 5.03), np.diag((1.1, 1.0, 0.9))
    vehicle["accelerometer_bias"] = (0.5, -0.5, 100.0)
    plant.states[0]["orientation"] = Rotation.from_rotvec([0.01, 0.02, 0.0]).as_quat()
    imu = sample(plant)
    assert imu["angular_velocity"] == pytest.approx([1.11, 1.98, math.radians(250.0)], rel=1e-12)
    assert imu["linear_acceleration"].tolist() == [0.5, -0.5, 40.0]


def test_white_noise_has_the_allan_slope_and_level_of_its_density():
    gyro, accelerometer = (part.model_copy(update={key: density}) for part, key, density in WHITE)
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
    gyro = SILENCE.gyro.model_copy(update={"bias_instability_deg_per_hour": 3600.0, "bias_time": 0.5})
    plant = a_plant(steady(), room=CABIN, noise=SILENCE.model_copy(update={"gyro": gyro}))
    rates, _ = record(plant, 40_000, seed=6)
    drift = rates[500:]
    assert drift.std(axis=0) == pytest.approx(math.radians(1.0), rel=0.15)
    later = 50
    correlation = np.array([np.corrcoef(drift[:-later, axis], drift[later:, axis])[0, 1] for axis in range(3)])
    assert correlation == pytest.approx(math.exp(-1.0), abs=0.12)


@pytest.mark.parametrize("angle", [1e-9, 0.01, 0.0282, 0.0284, 0.5, 3.0])
def test_the_mean_rate_is_the_angle_turned_over_the_tick_at_any_rate(angle):
    plant = a_plant(steady(inertial_sensor=InertialSensor(gyro_range_deg=1e6)), room=CABIN)
    axis = np.array([0.48, -0.6, 0.64])
    before = Rotation.from_rotvec([0.3, -1.0, 2.0])
    plant.states[0]["start_orientation"] = before.as_quat()
    plant.states[0]["orientation"] = (before * Rotation.from_rotvec(angle * axis)).as_quat()
    assert sample(plant)["angular_velocity"] == pytest.approx(angle * axis / 0.01, rel=1e-6 if angle < 1e-6 else 1e-12)


def test_a_turning_sensor_that_coasts_feels_no_more_than_its_stated_error():
    plant = a_plant(steady(), room=CABIN)
    set_motion(plant, 0, velocity=(0.1, -0.05, 0.02), rate=(0.0, 0.0, math.radians(15.0)))
    for k in range(100):
        run(plant, 1, START + k * TICK)
        assert np.abs(sample(plant)["linear_acceleration"]).max() < 1e-7


def test_leaning_axes_measure_a_share_of_each_other():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["gyro_matrix"] = plant.vehicles[0]["accelerometer_matrix"] = LEANING
    plant.states[0]["orientation"] = Rotation.from_rotvec([0.0, 0.0, 0.01]).as_quat()
    plant.states[0]["linear_velocity"] = (0.0, 0.02, 0.0)
    imu = sample(plant)
    assert imu["angular_velocity"] == pytest.approx([0.002, -0.003, 1.0], rel=1e-9)
    assert imu["linear_acceleration"] == pytest.approx(LEANING @ [-0.5 * 0.02, 2.0, 0.0], rel=1e-9)


LEANING = np.array([[1.0, 0.001, 0.002], [0.004, 1.0, -0.003], [-0.002, 0.001, 1.0]])


def test_what_rounding_to_whole_bits_drops_comes_with_a_later_sample():
    sensor = InertialSensor(gyro_step_deg=0.01, accelerometer_step=0.02)
    plant = a_plant(steady(inertial_sensor=sensor), room=CABIN)
    step = math.radians(0.01)
    plant.vehicles[0]["gyro_turn_on_bias"] = (0.3 * step, -2.71 * step, 0.0)
    plant.vehicles[0]["accelerometer_bias"] = (0.0, 0.0133, -0.001)
    samples = [sample(plant, START + k * TICK) for k in range(1000)]
    for field, bit, bias in (
        ("angular_velocity", step, plant.vehicles[0]["gyro_turn_on_bias"]),
        ("linear_acceleration", 0.02, plant.vehicles[0]["accelerometer_bias"]),
    ):
        values = np.array([one[field] for one in samples])
        assert np.abs(values / bit - np.rint(values / bit)).max() < 1e-9
        sums = values.cumsum(axis=0) - bias * np.arange(1, 1001)[:, None]
        assert np.abs(sums).max() <= 0.5 * bit * (1.0 + 1e-9)


def test_at_full_scale_nothing_is_carried_over():
    plant = a_plant(steady(inertial_sensor=InertialSensor(gyro_step_deg=0.7)), room=CABIN)
    plant.vehicles[0]["gyro_turn_on_bias"][0] = math.radians(300.0)
    for k in range(20):
        assert sample(plant, START + k * TICK)["angular_velocity"][0] <= math.radians(250.0)
    plant.vehicles[0]["gyro_turn_on_bias"][0] = 0.0
    assert abs(sample(plant)["angular_velocity"][0]) <= math.radians(0.7)


def test_each_bias_drifts_in_every_other_tick():
    figures = {"bias_instability_deg_per_hour": 3600.0, "bias_time": 10.0}
    noise = SILENCE.model_copy(
        update={
            "gyro": SILENCE.gyro.model_copy(update=figures),
            "accelerometer": SILENCE.accelerometer.model_copy(update={"bias_instability": 0.1, "bias_time": 10.0}),
        }
    )
    plant = a_plant(steady(), room=CABIN, noise=noise)
    rates, forces = record(plant, 2_000, seed=7)
    assert not np.diff(rates, axis=0)[START // TICK % 2 :: 2].any()
    assert not np.diff(forces, axis=0)[1 - START // TICK % 2 :: 2].any()
    step = math.sqrt(1.0 - math.exp(-2.0 * 0.02 / 10.0))
    assert np.diff(rates[::2], axis=0).std() == pytest.approx(math.radians(1.0) * step, rel=0.06)
    assert np.diff(forces[1::2], axis=0).std() == pytest.approx(0.1 * step, rel=0.06)


def test_a_dead_sensor_says_what_it_said_last_and_a_jump_adds_to_the_bias():
    plant = a_plant(steady(), room=CABIN)
    plant.vehicles[0]["gyro_bias_jump"] = (0.0, 0.0, 0.01)
    plant.vehicles[0]["accelerometer_bias"] = (0.1, 0.0, 0.0)
    last = sample(plant).copy()
    assert last["angular_velocity"].tolist() == [0.0, 0.0, 0.01]
    plant.vehicles[0]["gyro_dead"] = plant.vehicles[0]["accelerometer_dead"] = 1
    plant.vehicles[0]["gyro_bias_jump"] = 0.5
    later = sample(plant, START + TICK, np.ones(IMU_NORMALS))
    assert later["stamp"] == START + TICK
    for field in ("angular_velocity", "linear_acceleration"):
        assert np.array_equal(later[field], last[field])


def test_scale_and_lean_are_drawn_for_each_session_with_their_stated_spread():
    def matrices(key):
        noise = SILENCE.model_copy(
            update={
                part: getattr(SILENCE, part).model_copy(update={"scale_error": 0.003, "misalignment_deg": 0.2})
                for part in ("gyro", "accelerometer")
            }
        )
        return np.array([a_plant(steady(), noise=noise, seed=seed).vehicles[0][key] for seed in range(150)])

    gyro, accelerometer = matrices("gyro_matrix"), matrices("accelerometer_matrix")
    diagonal = np.eye(3, dtype=bool)
    for matrix in (gyro, accelerometer):
        assert (matrix[:, diagonal] - 1.0).std() == pytest.approx(0.003, rel=0.1)
        assert matrix[:, ~diagonal].std() == pytest.approx(math.radians(0.2), rel=0.07)
    assert abs(np.corrcoef(gyro[:, ~diagonal].ravel(), accelerometer[:, ~diagonal].ravel())[0, 1]) < 0.1
