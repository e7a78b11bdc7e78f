"""Each imperfection of gyro and accelerometer alone, against its closed form."""

import math

import numpy as np
import pytest

from testbed.description import messages
from testbed.description.effects import Effect
from testbed.description.vehicle import InertialSensor
from testbed.model.draws import IMU_NORMALS
from tests.model.effects.alone import DEFAULT_NOISE, plant_with
from tests.model.scene import CABIN, START, TICK, a_vehicle, run, set_motion

SEEDS = range(150)
SECONDS = TICK / 1e9
RATE, FORCE = "angular_velocity", "linear_acceleration"


def with_sensor(**figures):
    return (a_vehicle().model_copy(update={"inertial_sensor": InertialSensor(**figures)}),)


def with_figures(part, **figures):
    """The default noise with some figures of its gyro or accelerometer changed."""
    return DEFAULT_NOISE.model_copy(update={part: getattr(DEFAULT_NOISE, part).model_copy(update=figures)})


def samples(plant, count=1, seed=None):
    """Record `count` samples without motion in between; without a seed, without noise."""
    noise = np.zeros((count, IMU_NORMALS))
    if seed is not None:
        noise = np.random.default_rng(seed).standard_normal(noise.shape)
    imu = np.zeros(count, messages.IMU)
    for k in range(count):
        plant.sense_imu(0, START + k * TICK, noise[k], imu[k])
    return imu


def assert_spread(values, deviation, freedom=None):
    """A standard deviation within four standard errors, and no mean."""
    values = np.asarray(values)
    freedom = freedom or values.size
    assert values.std() == pytest.approx(deviation, rel=4.0 / math.sqrt(2.0 * freedom))
    assert abs(values.mean()) < 4.0 * deviation / math.sqrt(freedom)


def white(effect, field, density):
    """The sum of samples times tick walks by density times the root of time."""
    plant = plant_with(effect, room=CABIN)
    values = samples(plant, 30_000, seed=3)[field].reshape(300, 100, 3)
    assert_spread(values.sum(axis=1) * SECONDS, density * math.sqrt(1.0))


def drifting(effect, field, part, key, figure, deviation):
    """A Gauss-Markov process: its deviation, and a correlation that decays with its time."""
    plant = plant_with(effect, room=CABIN, noise=with_figures(part, **{key: figure, "bias_time": 0.2}))
    values = samples(plant, 40_000, seed=4)[field][100:]
    # samples of a process of this correlation time count as many as there are intervals of twice that time
    assert_spread(values, deviation, freedom=3 * len(values) * SECONDS / 0.4)
    later = 20
    correlation = (values[:-later] * values[later:]).mean() / (values**2).mean()
    assert correlation == pytest.approx(math.exp(-1.0), abs=0.06)


def constant(effect, field, deviation):
    """The same in each sample of a session, another in the next session."""
    first, last = zip(*((one[0], one[-1]) for one in _sessions(effect, field, 5)), strict=True)
    assert np.array_equal(first, last)
    assert_spread(first, deviation)


def _sessions(effect, field, count):
    return [samples(plant_with(effect, room=CABIN, seed=seed), count)[field] for seed in SEEDS]


def gains(effect, field):
    """What is measured of a unit about or along each axis, less that unit; shape (sessions, 3 measured, 3 there)."""
    errors = []
    for seed in SEEDS:
        plant = plant_with(effect, room=CABIN, seed=seed)
        columns = []
        for axis in range(3):
            state = plant.states[0]
            state["start_orientation"], state["linear_velocity"] = (0.0, 0.0, 0.0, 1.0), 0.0
            unit = np.eye(3)[axis]
            if field == RATE:
                state["orientation"] = (*(math.sin(0.5 * SECONDS) * unit), math.cos(0.5 * SECONDS))
            else:
                state["linear_velocity"] = SECONDS * unit
            columns.append(samples(plant)[field][0] - unit)
        errors.append(np.column_stack(columns))
    return np.array(errors)


def scaled(effect, field, deviation):
    """Each axis has its own factor and feels nothing of the others."""
    errors = gains(effect, field)
    diagonal = np.eye(3, dtype=bool)
    assert_spread(errors[:, diagonal], deviation)
    assert np.abs(errors[:, ~diagonal]).max() < 1e-12


def leaning(effect, field, deviation):
    """Each axis measures a share of each other one, the small angle by which it leans, and all of its own."""
    errors = gains(effect, field)
    diagonal = np.eye(3, dtype=bool)
    assert_spread(errors[:, ~diagonal], deviation)
    assert np.abs(errors[:, diagonal]).max() < 1e-12


def saturating(effect, field, bias, limit, **sensor):
    """Beyond the full scale it says the full scale, below it the truth."""
    plant = plant_with(effect, room=CABIN, vehicles=with_sensor(**sensor))
    for share in (0.7, 0.999, 1.001, 5.0, -2.0):
        plant.vehicles[0][bias] = (share * limit, 0.0, 0.0)
        assert samples(plant)[field][0, 0] == pytest.approx(math.copysign(min(abs(share), 1.0), share) * limit)


def rounded(effect, field, bias, bit, **sensor):
    """Whole bits, whose sum never parts from that of the truth by more than half of one."""
    plant = plant_with(effect, room=CABIN, vehicles=with_sensor(**sensor))
    true = np.array([0.3, -1.7, 0.01]) * bit
    plant.vehicles[0][bias] = true
    values = samples(plant, 500)[field]
    assert np.abs(values / bit - np.rint(values / bit)).max() < 1e-9
    apart = np.abs(values.cumsum(axis=0) - true * np.arange(1, 501)[:, None])
    assert 0.45 * bit < apart[:, 0].max() <= 0.5 * bit * (1.0 + 1e-9)


def off_centre():
    """On a spinning vehicle it feels ω²·r outwards from the centre of mass."""
    plant = plant_with(Effect.ACCELEROMETER_LEVER_ARM, room=CABIN, vehicles=with_sensor(position=(0.05, -0.02, 0.03)))
    set_motion(plant, 0, rate=(0.0, 0.0, 0.3))
    run(plant, 1)
    assert samples(plant)[FORCE][0] == pytest.approx([-(0.3**2) * 0.05, 0.3**2 * 0.02, 0.0], abs=1e-9)


DEGREE = math.radians(1.0)
CASES = {
    Effect.GYRO_NOISE: lambda: white(Effect.GYRO_NOISE, RATE, 0.01 * DEGREE),
    Effect.GYRO_DRIFT: lambda: drifting(
        Effect.GYRO_DRIFT, RATE, "gyro", "bias_instability_deg_per_hour", 5.0, 5.0 / 3600.0 * DEGREE
    ),
    Effect.GYRO_TURN_ON_BIAS: lambda: constant(Effect.GYRO_TURN_ON_BIAS, RATE, 0.1 * DEGREE),
    Effect.GYRO_SCALE: lambda: scaled(Effect.GYRO_SCALE, RATE, 0.003),
    Effect.GYRO_MISALIGNMENT: lambda: leaning(Effect.GYRO_MISALIGNMENT, RATE, 0.1 * DEGREE),
    Effect.GYRO_SATURATION: lambda: saturating(
        Effect.GYRO_SATURATION, RATE, "gyro_turn_on_bias", 200.0 * DEGREE, gyro_range_deg=200.0
    ),
    Effect.GYRO_QUANTISATION: lambda: rounded(
        Effect.GYRO_QUANTISATION, RATE, "gyro_turn_on_bias", 0.01 * DEGREE, gyro_step_deg=0.01
    ),
    Effect.ACCELEROMETER_NOISE: lambda: white(Effect.ACCELEROMETER_NOISE, FORCE, 0.002),
    Effect.ACCELEROMETER_DRIFT: lambda: drifting(
        Effect.ACCELEROMETER_DRIFT, FORCE, "accelerometer", "bias_instability", 0.0005, 0.0005
    ),
    Effect.ACCELEROMETER_BIAS: lambda: constant(Effect.ACCELEROMETER_BIAS, FORCE, 0.03),
    Effect.ACCELEROMETER_SCALE: lambda: scaled(Effect.ACCELEROMETER_SCALE, FORCE, 0.003),
    Effect.ACCELEROMETER_MISALIGNMENT: lambda: leaning(Effect.ACCELEROMETER_MISALIGNMENT, FORCE, 0.1 * DEGREE),
    Effect.ACCELEROMETER_SATURATION: lambda: saturating(
        Effect.ACCELEROMETER_SATURATION, FORCE, "accelerometer_bias", 20.0, accelerometer_range=20.0
    ),
    Effect.ACCELEROMETER_QUANTISATION: lambda: rounded(
        Effect.ACCELEROMETER_QUANTISATION, FORCE, "accelerometer_bias", 0.0012, accelerometer_step=0.0012
    ),
    Effect.ACCELEROMETER_LEVER_ARM: off_centre,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_the_ideal_sensor_says_the_truth_exactly():
    plant = plant_with(room=CABIN, vehicles=with_sensor(position=(0.05, -0.02, 0.03)))
    set_motion(plant, 0, velocity=(0.1, 0.0, 0.0), rate=(0.0, 0.0, 0.3))
    run(plant, 1)
    imu = samples(plant, seed=1)
    assert imu[RATE][0] == pytest.approx([0.0, 0.0, 0.3], abs=1e-12)
    assert imu[FORCE][0] == pytest.approx([0.0, 0.0, 0.0], abs=0.3 * 0.003**2 / 12.0 * 0.1 * 1.01)  # ω·(ω·tick)²/12·v
