"""Allan deviation of the emulated gyro at rest against the closed forms of IEEE Std 952, computed by allantools.

IEEE Std 952-1997, Annex C (from memory): angle random walk N/sqrt(tau), slope -1/2; quantisation sqrt(3)·Q/tau, slope
-1; exponentially correlated (Markov) noise, which peaks at 0.437·q·sqrt(T) near 1.89·T. Bands: chi-square about the
estimate with its equivalent degrees of freedom (allantools.confidence_interval), those of power-law noise
after NIST SP 1065, table 5 (allantools.edf_simple), those of other noises from their covariance.
"""

import math

import allantools
import numpy as np
import pytest
from scipy.signal import fftconvolve

from testbed.description import messages
from testbed.description.load import load
from testbed.description.locate import locate
from testbed.description.noise import Noise
from testbed.description.vehicle import InertialSensor
from testbed.model.draws import IMU_NORMALS
from tests.model.scene import CABIN, SILENCE, START, TICK, a_plant, steady

RATE = 100.0
BAND = 0.999
"""Each band holds the truth with this probability; some 50 are looked at."""


def at_rest(gyro, samples, seed, **sensor):
    """Rates, shape (samples, 3), of a vehicle that floats at rest."""
    vehicle = steady(inertial_sensor=InertialSensor(**sensor))
    plant = a_plant(vehicle, room=CABIN, noise=SILENCE.model_copy(update={"gyro": gyro}))
    noise = np.random.default_rng(seed).standard_normal((samples, IMU_NORMALS))
    imu = np.zeros(samples, messages.IMU)
    for k in range(samples):
        plant.sense_imu(0, START + k * TICK, noise[k], imu[k])
    return imu["angular_velocity"]


def deviations(rates, times):
    """Overlapping Allan deviation of each axis at these averaging times, shape (times, 3)."""
    found = [allantools.oadev(rates[:, axis], rate=RATE, data_type="freq", taus=times) for axis in range(3)]
    assert all(np.allclose(one[0], times) for one in found)
    return np.column_stack([one[1] for one in found])


def assert_inside(deviation, expected, freedom):
    low, high = allantools.confidence_interval(deviation, freedom, ci=BAND)
    assert low <= expected <= high, f"{deviation} for {expected} with {freedom:.0f} degrees of freedom"
    return high / low


def power_law_freedom(alpha, time, samples):
    return allantools.edf_simple(samples + 1, round(time * RATE), alpha)


def markov_variance(deviation, correlation, time):
    """Allan variance of a Markov process of this standard deviation and correlation time."""
    x = time / correlation
    drive = 2.0 * deviation**2 / correlation
    return drive * correlation**2 / time * (1.0 - (3.0 - 4.0 * math.exp(-x) + math.exp(-2.0 * x)) / (2.0 * x))


def freedom_of(covariance, time):
    """Degrees of freedom of the overlapping Allan variance of samples with this covariance (at lags from 0 on)."""
    m, n = round(time * RATE), len(covariance)
    weights = np.concatenate([np.full(m, -1.0), np.full(m, 1.0)])
    lags = np.concatenate([covariance[:0:-1], covariance])
    filtered = fftconvolve(lags, np.convolve(weights, weights[::-1]), mode="same")[n - 1 :]
    count = n - 2 * m + 1
    filtered, shares = filtered[:count], 1.0 - np.arange(count) / count
    return count * filtered[0] ** 2 / (2.0 * (shares * filtered**2).sum() - filtered[0] ** 2)


def test_white_noise_walks_with_the_slope_and_level_of_its_density():
    times, samples = [0.01, 0.1, 1.0, 10.0], 60_000
    gyro = SILENCE.gyro.model_copy(update={"density_deg": 0.01})
    found = deviations(at_rest(gyro, samples, seed=11), times)
    for row, time in enumerate(times):
        for axis in range(3):
            expected = math.radians(0.01) / math.sqrt(time)
            assert_inside(found[row, axis], expected, power_law_freedom(0, time, samples))


def test_rounding_to_bits_falls_with_slope_minus_one():
    """Rounding alone: the same noise, which spreads the remainder evenly over the bit, with bits and without."""
    times, samples, bit = [0.01, 0.1, 1.0, 10.0], 60_000, 0.05
    gyro = SILENCE.gyro.model_copy(update={"density_deg": 0.01})  # two bits in each sample
    rounding = at_rest(gyro, samples, seed=12, gyro_step_deg=bit) - at_rest(gyro, samples, seed=12)
    quantisation = math.radians(bit) / RATE / math.sqrt(12.0)
    found = deviations(rounding, times)
    for row, time in enumerate(times):
        for axis in range(3):
            assert_inside(found[row, axis], math.sqrt(3.0) * quantisation / time, power_law_freedom(2, time, samples))


def test_the_drift_has_the_hump_of_its_markov_process():
    correlation, deviation, samples = 5.0, math.radians(0.1), 300_000
    gyro = SILENCE.gyro.model_copy(update={"bias_instability_deg_per_hour": 0.1 * 3600.0, "bias_time": correlation})
    times = [1.0, 3.0, 9.45, 30.0, 100.0]
    drift = at_rest(gyro, samples + 3000, seed=13)[3000:]
    found = deviations(drift, times)
    covariance = deviation**2 * np.exp(-np.arange(samples) / RATE / correlation)
    for row, time in enumerate(times):
        expected = math.sqrt(markov_variance(deviation, correlation, time))
        for axis in range(3):
            assert_inside(found[row, axis], expected, freedom_of(covariance, time))
    peak = math.sqrt(markov_variance(deviation, correlation, 1.89 * correlation))
    assert peak == pytest.approx(0.437 * math.sqrt(2.0 * deviation**2 / correlation) * math.sqrt(correlation), rel=2e-3)
    assert peak == pytest.approx(0.618 * deviation, rel=2e-3)
    assert np.all(found[2] > found[0])
    assert np.all(found[2] > found[4])


def test_the_degrees_of_freedom_from_the_covariance_are_those_of_allantools_for_white_noise():
    samples = 20_000
    white = np.zeros(samples)
    white[0] = 1.0
    for time in (0.01, 0.1, 1.0):
        assert freedom_of(white, time) == pytest.approx(power_law_freedom(0, time, samples), rel=0.02)


def test_the_gyro_of_the_demo_lab_follows_the_sum_of_its_noises():
    """An hour at rest, with noise, drift and bits as the files have them; biases are constant and do not show."""
    noise = load(locate("noise/floor.yaml"), Noise).description
    samples, bit = 360_000, 0.00763
    density, deviation = math.radians(noise.gyro.density_deg), math.radians(noise.gyro.bias_instability_deg_per_hour)
    deviation /= 3600.0
    rates = at_rest(noise.gyro, samples, seed=14, gyro_step_deg=bit)
    times = [0.01, 0.1, 1.0, 10.0, 100.0, 300.0]
    found = deviations(rates, times)
    covariance = deviation**2 * np.exp(-np.arange(samples) / RATE / noise.gyro.bias_time)
    covariance[0] += density**2 * RATE
    quantisation = math.radians(bit) / RATE / math.sqrt(12.0)
    widths = []
    for row, time in enumerate(times):
        variance = density**2 / time + 3.0 * (quantisation / time) ** 2
        variance += markov_variance(deviation, noise.gyro.bias_time, time)
        freedom = freedom_of(covariance, time)
        pooled = math.sqrt((found[row] ** 2).mean())
        widths.append(assert_inside(pooled, math.sqrt(variance), 3.0 * freedom))
    assert widths[0] < 1.01
    assert widths[-1] < 2.5
