"""The partner's motion from its odometry: steady motion is found, errors that last are not averaged away."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.flight.docking.partner import TRACKED, carry_on, foresee, hear
from tests.flight.docking.examples import START, docking, motion, odometry

SPIN, VELOCITY = math.radians(6.0), (0.01, -0.02, 0.0)
PERIOD = 0.04


def partner(place="table"):
    return docking(place).parameters[0]["partner"]


def at(seconds, **changes):
    place = (0.3 + VELOCITY[0] * seconds, VELOCITY[1] * seconds, 0.45)
    return odometry(**({"position": place, "turned": SPIN * seconds, "velocity": VELOCITY, "rate": SPIN,
                        "seconds": seconds} | changes))  # fmt: skip


def heard(times, **changes):
    p, tracked = partner(), np.zeros(1, TRACKED)
    for seconds in times:
        hear(p, tracked[0], at(seconds, **changes)[0])
    return p, tracked[0]


def test_a_steady_motion_is_known_ahead():
    p, tracked = heard(np.arange(0.0, 3.0, PERIOD))
    out, ahead = motion(), 20.0
    foresee(p, tracked, ahead, out[0])
    seconds = (tracked["stamp"] - START) / NS_PER_S + ahead
    expected = at(seconds)[0]
    assert out[0]["position"][:2] == pytest.approx(expected["position"][:2], abs=1e-9)
    turn = Rotation.from_quat(out[0]["orientation"]).inv() * Rotation.from_quat(expected["orientation"])
    assert turn.magnitude() < 1e-9
    assert out[0]["rate"] == pytest.approx((0, 0, SPIN))


def test_what_comes_twice_or_late_or_without_a_fix_is_not_taken():
    p, tracked = heard([0.0, PERIOD])
    before = tracked.copy()
    unknown = at(3 * PERIOD)
    unknown["pose_covariance"] = UNKNOWN_VARIANCE * np.eye(6)
    for one in (at(0.0), at(PERIOD), unknown):
        assert not hear(p, tracked, one[0])
    assert tracked == before


def test_after_a_long_silence_it_begins_anew():
    p, tracked = heard([0.0, PERIOD])
    assert hear(p, tracked, at(10.0, position=(5.0, 5.0, 0.45))[0])
    assert tracked["position"][:2] == pytest.approx((5.0, 5.0))


def test_noise_is_smoothed_but_not_by_more_than_an_error_that_lasts_allows():
    generator, p, tracked = np.random.default_rng(1), partner(), np.zeros(1, TRACKED)
    deviation, wrong = 0.002, []
    for seconds in np.arange(0.0, 60.0, PERIOD):
        one = at(seconds)
        one["position"][0] += generator.normal(0.0, deviation, 3)
        one["pose_covariance"] = deviation**2 * np.eye(6)
        hear(p, tracked[0], one[0])
        if seconds > 5.0:
            wrong.append(tracked[0]["position"][0] - 0.3 - VELOCITY[0] * seconds)
    claimed = math.sqrt(tracked[0]["linear"][0, 0, 0])
    assert np.std(wrong) < 0.4 * deviation
    assert np.std(wrong) < claimed, "white noise is less than what is claimed, as errors are believed to last"
    assert claimed < deviation


def test_a_covariance_stays_one():
    _, tracked = heard(np.arange(0.0, 10.0, PERIOD))
    for one in (*tracked["linear"][:2], tracked["angular"][2]):
        assert one == pytest.approx(one.T)
        assert np.linalg.eigvalsh(one).min() > 0.0


def test_a_push_is_followed_within_a_second():
    """A velocity that changes at once, as by a plume."""
    p, tracked = heard(np.arange(0.0, 5.0, PERIOD))
    for seconds in np.arange(5.0, 6.0, PERIOD):
        place = (0.3 + 0.01 * seconds + 0.01 * (seconds - 5.0), -0.02 * seconds, 0.45)
        hear(p, tracked, at(seconds, velocity=(0.02, -0.02, 0.0), position=place)[0])
    assert tracked["velocity"][0] == pytest.approx(0.02, abs=1e-3)


def test_in_the_cabin_it_tumbles_free_of_torque():
    """Momentum stays in the fixed frame, and so does the energy."""
    p = partner("cabin")
    one = motion(rate=(0.02, 0.03, 0.10))

    def momentum():
        return Rotation.from_quat(one[0]["orientation"]).apply(p["inertia"] @ one[0]["rate"])

    before, energy = momentum(), one[0]["rate"] @ p["inertia"] @ one[0]["rate"]
    carry_on(p, one[0], 40.0)
    assert momentum() == pytest.approx(before, rel=2e-4, abs=2e-6)
    assert one[0]["rate"] @ p["inertia"] @ one[0]["rate"] == pytest.approx(energy, rel=1e-4)
    assert not np.allclose(one[0]["rate"], (0.02, 0.03, 0.10), atol=1e-3), "it does tumble"
