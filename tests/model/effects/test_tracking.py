"""Each imperfection of the overhead tracking alone, against its closed form."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from scipy.stats import norm

from testbed.description import messages
from testbed.description.effects import Effect
from testbed.description.messages import PERIOD_NS
from testbed.description.noise import TrackingNoise
from testbed.model.draws import TRACKING_NORMALS
from tests.model.effects.alone import DEFAULT_NOISE, plant_with
from tests.model.scene import CABIN, START, TICK, run, set_motion

FRAME = PERIOD_NS["truth"]
SECONDS = FRAME / 1e9


def tracked(*effects, **figures):
    noise = DEFAULT_NOISE.model_copy(update={"tracking": TrackingNoise(**figures)})
    return plant_with(*effects, room=CABIN, noise=noise)


def follow(plant, frames, seed=2, force=0.0):
    """Frames and the motion at each, while a force along x (m/s²) speeds the vehicle up in equal steps."""
    rng = np.random.default_rng(seed)
    found, true = np.zeros(frames, messages.ODOMETRY), np.zeros(frames, messages.ODOMETRY)
    for k in range(frames):
        plant.sense_truth(0, START + k * FRAME, rng.standard_normal(TRACKING_NORMALS), found[k])
        plant.read_motion(0, START + k * FRAME, true[k])
        run(plant, FRAME // TICK, START + k * FRAME)
        set_motion(plant, 0, velocity=plant.states[0]["velocity"] + [force * SECONDS, 0.0, 0.0], rate=(0.0, 0.0, 0.0))
    return found, true


def poses_are_noisy():
    found, true = follow(tracked(Effect.TRACKING_NOISE, position=0.002, angle_deg=0.3), 800)
    position = found["position"] - true["position"]
    angle = Rotation.from_quat(found["orientation"]).as_rotvec()
    for values, deviation in ((position, 0.002), (angle, math.radians(0.3))):
        assert values.std() == pytest.approx(deviation, rel=4.0 / math.sqrt(2.0 * values.size))
        assert abs(values.mean()) < 4.0 * deviation / math.sqrt(values.size)
    assert np.array_equal(found["linear_velocity"], true["linear_velocity"])


def lost_frames_are_carried_on():
    """Under a steady acceleration the pose falls behind by the sum of the speeds gained since it was seen last."""
    found, true = follow(tracked(Effect.TRACKING_DROPOUT, dropout=0.3), 800, force=0.01)
    unlucky = np.random.default_rng(2).standard_normal((800, TRACKING_NORMALS))[:, 6] < norm.ppf(0.3)
    lost, expected = 0, []
    for k in range(800):
        lost = lost + 1 if unlucky[k] and k > 0 else 0  # the first frame is never lost
        expected.append(0.01 * SECONDS**2 * sum(range(lost)))
    assert max(expected) > 1e-5, "five in a row"
    assert (true["position"] - found["position"])[:, 0] == pytest.approx(np.array(expected), abs=1e-12)


def the_pose_is_older_than_its_stamp():
    plant = tracked(Effect.TRACKING_LATENCY, latency=0.04)
    set_motion(plant, 0, velocity=(0.07, 0.0, 0.0), rate=(0.0, 0.0, 0.2))
    one, true = np.zeros(1, messages.ODOMETRY)[0], np.zeros(1, messages.ODOMETRY)[0]
    plant.sense_truth(0, START, np.ones(TRACKING_NORMALS), one)
    plant.read_motion(0, START, true)
    assert true["position"] - one["position"] == pytest.approx([0.07 * 0.04, 0.0, 0.0], abs=1e-15)
    assert Rotation.from_quat(one["orientation"]).as_rotvec() == pytest.approx([0.0, 0.0, -0.2 * 0.04], abs=1e-12)


def velocities_are_late_by_half_their_time():
    found, true = follow(tracked(Effect.TRACKING_VELOCITY, velocity_time=0.2), 40, force=0.01)
    behind = (true["linear_velocity"] - found["linear_velocity"])[15:, 0]
    # the speed grows at the end of each frame, so that of the frame before counts half a frame less
    assert behind == pytest.approx(np.full(25, 0.01 * (0.5 * 0.2 + 0.5 * SECONDS)), rel=1e-6)


CASES = {
    Effect.TRACKING_NOISE: poses_are_noisy,
    Effect.TRACKING_DROPOUT: lost_frames_are_carried_on,
    Effect.TRACKING_LATENCY: the_pose_is_older_than_its_stamp,
    Effect.TRACKING_VELOCITY: velocities_are_late_by_half_their_time,
}


@pytest.mark.parametrize("effect", CASES)
def test_alone_it_has_the_size_of_its_closed_form(effect):
    CASES[effect]()


def test_with_everything_off_it_says_the_truth():
    found, true = follow(tracked(), 5)
    for field in ("position", "orientation", "linear_velocity", "angular_velocity"):
        assert found[field] == pytest.approx(true[field], abs=1e-15)
