"""Motion in the partner's turning axes against what differentiating its path gives, and there and back."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.flight.docking import relative as frames
from testbed.flight.docking import transfer
from testbed.flight.docking.partner import carry_on
from tests.flight.docking.examples import docking, motion, relative

ACTIVE = np.ones(6, dtype=np.int64)
STEP = 1e-3
PLACE, SPEED, BEND = (np.array(one) for one in ((0.6, 0.1, -0.05), (-0.04, 0.02, 0.01), (0.006, -0.004, 0.003)))


def tumbling(time):
    """A partner in the cabin that tumbles free of torque, `time` s on."""
    p = docking("cabin").parameters[0]["partner"]
    one = motion((0.1, 0.2, 0.3), 0.4, (0.01, -0.02, 0.005), (0.03, 0.05, 0.10))
    for _ in range(round(time / STEP)):
        carry_on(p, one[0], STEP)
    return p, one


def flown(time):
    """Motion of who moves along its axes along a parabola while turning by a steady rotation vector."""
    _, partner = tumbling(time)
    there = relative(
        PLACE + SPEED * time + 0.5 * BEND * time**2, SPEED + BEND * time, (0.1 * time, 0, 0.2), (0.1, 0, 0)
    )
    mated = Rotation.from_euler("xyz", (0.3, 0.2, 2.9)).as_quat()
    out = motion()
    frames.compose(partner[0], mated, there[0], out[0])
    return out[0], partner[0], there[0], mated


@pytest.mark.parametrize("time", [0.5, 2.0])
def test_velocity_and_acceleration_are_the_derivatives_of_the_path(time):
    before, now, after = (flown(time + step)[0] for step in (-STEP, 0.0, STEP))
    _, partner, there, _ = flown(time)
    velocity = (after["position"] - before["position"]) / (2 * STEP)
    assert now["velocity"] == pytest.approx(velocity, abs=1e-7)
    p, _ = tumbling(0.0)
    inertia, rate = p["inertia"], partner["rate"]
    slope = np.linalg.solve(inertia, np.cross(inertia @ rate, rate))
    added = frames.frame_acceleration(rate, slope, there["place"], there["speed"])
    expected = Rotation.from_quat(partner["orientation"]).apply(BEND + np.array(added))
    bent = (after["position"] - 2 * now["position"] + before["position"]) / STEP**2
    assert bent == pytest.approx(expected, abs=2e-6)
    assert np.linalg.norm(expected) > 3 * np.linalg.norm(BEND) / 2, "the turning counts"


def test_the_rate_is_the_derivative_of_the_attitude():
    before, after = (Rotation.from_quat(flown(1.0 + step)[0]["orientation"]) for step in (-STEP, STEP))
    turned = (before.inv() * after).as_rotvec() / (2 * STEP)
    assert flown(1.0)[0]["rate"] == pytest.approx(turned, abs=1e-6)


def test_on_a_circle_it_is_the_centripetal_acceleration_and_the_coriolis_one_while_closing_in():
    spin, distance, closing = 0.1, 0.6, 0.04
    added = frames.frame_acceleration((0, 0, spin), (0, 0, 0), (distance, 0, 0), (-closing, 0, 0))
    assert added == pytest.approx((-(spin**2) * distance, -2 * spin * closing, 0.0))


def test_there_and_back():
    out, partner, there, mated = flown(1.5)
    seen = relative()
    frames.separate(partner, mated, out, ACTIVE, seen[0])
    for name in ("place", "speed", "turn", "turning"):
        assert seen[0][name] == pytest.approx(there[name], abs=1e-12)


def test_a_transfer_begins_as_told_and_ends_at_rest():
    start, curvature = relative(PLACE, SPEED, (0.1, 0.2, 0.3), (0.01, 0.02, 0.03)), np.arange(6) * 1e-3
    end, one, now = np.array([0.4, 0.0, 0.0, 0.0, 0.1, 0.0]), np.zeros(1, transfer.TRANSFER), relative()
    transfer.begin(one[0], 0, 20.0, start[0], curvature, end)
    transfer.follow(one[0], 0.0, now[0])
    for name in ("place", "speed", "turn", "turning"):
        assert now[0][name] == pytest.approx(start[0][name], abs=1e-15)
    for k in range(6):
        assert transfer.along(one[0], k, 0.0)[2] == pytest.approx(curvature[k])
        assert transfer.along(one[0], k, 1.0)[1:] == pytest.approx((0.0, 0.0))
    transfer.follow(one[0], 20.0, now[0])
    assert [*now[0]["place"], *now[0]["turn"]] == pytest.approx(end)


@pytest.mark.parametrize("u", [0.2, 0.7])
def test_slope_and_curvature_of_a_transfer_are_its_derivatives(u):
    one, step = np.zeros(1, transfer.TRANSFER), 1e-4
    transfer.begin(one[0], 0, 10.0, relative(PLACE, SPEED)[0], np.full(6, 2e-3), np.zeros(6))
    before, now, after = (transfer.along(one[0], 0, u + k * step) for k in (-1, 0, 1))
    assert now[1] == pytest.approx((after[0] - before[0]) / (2 * step * 10.0), abs=1e-7)
    assert now[2] == pytest.approx((after[1] - before[1]) / (2 * step * 10.0), abs=1e-7)
