"""A track against scipy's cubic Hermite spline, its ends, and the turn that headings take."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline
from scipy.spatial.transform import Rotation

from testbed.flight.guidance import track
from testbed.flight.guidance.memory import MOTION


def a_track(times, values):
    record = np.zeros(1, track.TRACK)[0]
    for time, (x, y, z, heading) in zip(times, values, strict=True):
        track.add(record, time, x, y, z, heading)
    track.smooth(record)
    return record


def at(record, time):
    motion = np.zeros(1, MOTION)[0]
    track.follow(record, time, motion)
    return motion


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1), st.integers(2, track.MAX_KNOTS))
def test_a_track_is_the_cubic_hermite_spline_through_its_points(seed, count):
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.uniform(0.5, 5.0, count))
    values = np.column_stack([rng.normal(size=(count, 3)), np.cumsum(rng.uniform(-1.5, 1.5, count))])
    slopes = np.zeros_like(values)
    slopes[1:-1] = (values[2:] - values[:-2]) / (times[2:] - times[:-2])[:, None]
    expected = CubicHermiteSpline(times, values, slopes)
    record = a_track(times, values)
    for time in rng.uniform(times[0], times[-1], 20):
        motion = at(record, time)
        value, slope = expected(time), expected(time, 1)
        assert motion["position"] == pytest.approx(value[:3], abs=1e-11)
        assert motion["velocity"] == pytest.approx(slope[:3], abs=1e-11)
        assert motion["rate"] == pytest.approx([0.0, 0.0, slope[3]], abs=1e-11)
        heading = Rotation.from_quat(motion["orientation"]).as_euler("ZYX")[0]
        assert math.remainder(heading - value[3], 2.0 * math.pi) == pytest.approx(0.0, abs=1e-11)


@pytest.mark.parametrize("time", [-5.0, 0.0, 8.0, 20.0])
def test_a_track_is_at_rest_at_and_beyond_its_ends(time):
    motion = at(a_track([0.0, 3.0, 8.0], [(0, 0, 0, 0), (1, 1, 0, 1), (2, 0, 0, 2)]), time)
    assert motion["velocity"] == pytest.approx(0.0)
    assert motion["position"] == pytest.approx((0, 0, 0) if time <= 0.0 else (2, 0, 0))


def test_headings_turn_the_shorter_way():
    record = a_track([0.0, 10.0], [(0, 0, 0, math.radians(170.0)), (0, 0, 0, math.radians(-170.0))])
    assert record["value"][1, 3] == pytest.approx(math.radians(190.0))
    assert at(record, 5.0)["rate"][2] > 0.0
