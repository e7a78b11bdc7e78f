"""Overhead tracking: the truth itself without errors, and a tracker's poses and velocities with them."""

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.messages import PERIOD_NS, UNKNOWN_VARIANCE
from testbed.description.noise import TrackingNoise
from testbed.model.draws import TRACKING_NORMALS
from tests.model.scene import CABIN, FLAT, LEVEL, SILENCE, START, TICK, a_plant, run, set_motion, steady

FRAME = PERIOD_NS["truth"]
NOTHING = {"position": 0.0, "angle_deg": 0.0, "dropout": 0.0, "latency": 0.0, "velocity_time": 0.0}


def tracked(room=CABIN, vehicles=1, **figures):
    noise = SILENCE.model_copy(update={"tracking": TrackingNoise(**(NOTHING | figures))})
    return a_plant(*[steady() for _ in range(vehicles)], room=room, noise=noise)


def follow(plant, frames, seed=None, start=START):
    """Take a frame every 20 ms while the plant runs; without a seed, without noise. Returns what each frame says."""
    rng = None if seed is None else np.random.default_rng(seed)
    found = np.zeros(frames, messages.ODOMETRY)
    for k in range(frames):
        noise = np.zeros(TRACKING_NORMALS) if rng is None else rng.standard_normal(TRACKING_NORMALS)
        plant.sense_truth(0, start + k * FRAME, noise, found[k])
        run(plant, FRAME // TICK, start + k * FRAME)
    return found


def motion(plant):
    odometry = np.zeros(1, messages.ODOMETRY)[0]
    plant.read_motion(0, START, odometry)
    return odometry


def test_without_errors_it_is_the_motion_bit_for_bit():
    plant = a_plant(steady(), room=CABIN)
    set_motion(plant, 0, velocity=(0.05, -0.02, 0.01), rate=(0.1, 0.2, -0.3))
    run(plant, 7)
    found = follow(plant, 1, seed=1)[0]
    plant = a_plant(steady(), room=CABIN)
    set_motion(plant, 0, velocity=(0.05, -0.02, 0.01), rate=(0.1, 0.2, -0.3))
    run(plant, 7)
    assert found.tobytes() == motion(plant).tobytes()


def test_a_tracker_without_errors_says_the_same():
    plant = tracked()
    set_motion(plant, 0, velocity=(0.05, -0.02, 0.01), rate=(0.0, 0.0, -0.3))
    run(plant, 7)
    expected = motion(plant)
    found = follow(plant, 1)[0]
    for field in ("position", "orientation", "linear_velocity", "angular_velocity"):
        assert found[field] == pytest.approx(expected[field], abs=1e-15)


def test_velocities_are_differences_over_the_stated_time():
    plant = tracked(velocity_time=0.2)
    set_motion(plant, 0, velocity=(0.05, -0.02, 0.01), rate=(0.0, 0.0, 0.3))
    found = follow(plant, 15)
    turn = Rotation.from_quat(found["orientation"])
    assert not found["linear_velocity"][0].any()
    for k in range(1, 15):
        assert turn[k].apply(found["linear_velocity"][k]) == pytest.approx([0.05, -0.02, 0.01], abs=1e-12)
        assert found["angular_velocity"][k] == pytest.approx([0.0, 0.0, 0.3], abs=1e-12)


def test_the_latency_is_how_much_older_the_pose_is_than_its_stamp():
    plant = tracked(latency=0.03)
    set_motion(plant, 0, velocity=(0.05, -0.02, 0.01), rate=(0.0, 0.0, 0.3))
    found = follow(plant, 3)[2]
    assert found["position"] == pytest.approx(np.array([0.05, -0.02, 0.01]) * 0.01, abs=1e-12)
    assert Rotation.from_quat(found["orientation"]).as_rotvec() == pytest.approx([0.0, 0.0, 0.3 * 0.01], abs=1e-12)


@pytest.mark.parametrize("room", [FLAT, CABIN], ids=["table", "cabin"])
def test_errors_are_as_large_as_the_covariances_say(room):
    plant = tracked(room, position=0.001, angle_deg=0.2, velocity_time=0.2)
    plant.place(0, np.array([0.1, 0.2, 0.3]), LEVEL, START)
    found = follow(plant, 1500, seed=3)[11::11]  # each 11 frames apart, so that no two share a frame
    at = motion(plant)
    errors = {
        "pose": np.hstack([found["position"] - at["position"], Rotation.from_quat(found["orientation"]).as_rotvec()]),
        "twist": np.hstack([found["linear_velocity"], found["angular_velocity"]]),
    }
    for name, values in errors.items():
        covariance = found[f"{name}_covariance"]
        assert (covariance == covariance[0]).all()
        assert not (covariance[0] - np.diag(np.diag(covariance[0]))).any()
        expected = np.sqrt(np.diag(covariance[0]))
        assert values.std(axis=0) == pytest.approx(expected, rel=4.0 / math.sqrt(2.0 * len(values)), abs=1e-15)
    assert np.sqrt(np.diag(found["pose_covariance"][0]))[[0, 5]] == pytest.approx([0.001, math.radians(0.2)])
    held = np.diag(found["pose_covariance"][0])[2:5] == 0.0
    assert held.all() == (room is FLAT)


def test_a_lost_vehicle_is_carried_on_and_less_sure_the_longer_it_is_lost():
    plant = tracked(position=0.001, velocity_time=0.1, dropout=0.5)
    set_motion(plant, 0, velocity=(0.05, 0.0, 0.0))
    seen = follow(plant, 10)
    lost = np.zeros(4, messages.ODOMETRY)
    noise = np.zeros(TRACKING_NORMALS)
    noise[-1] = -0.1  # half of all normals are below zero
    for k in range(4):
        plant.sense_truth(0, START + (10 + k) * FRAME, noise, lost[k])
    expected = seen["position"][-1, 0] + 0.05 * 0.02 * np.arange(1, 5)
    assert lost["position"][:, 0] == pytest.approx(expected, abs=1e-12)
    speed = 2.0 * 0.001**2 / 0.1**2
    ages = 0.02 * np.arange(1, 5)
    assert lost["pose_covariance"][:, 0, 0] == pytest.approx(0.001**2 + speed * ages**2, rel=1e-12)
    again = follow(plant, 1, start=START + 14 * FRAME)[0]
    assert again["pose_covariance"][0, 0] == pytest.approx(0.001**2)


def test_the_share_of_lost_frames_is_the_stated_one():
    plant = tracked(position=0.001, dropout=0.2)
    found = follow(plant, 2000, seed=4)
    repeated = (np.diff(found["position"], axis=0) == 0.0).all(axis=1)
    assert repeated.mean() == pytest.approx(0.2, abs=4.0 * math.sqrt(0.2 * 0.8 / 2000))


def test_a_vehicle_that_was_placed_is_tracked_anew():
    plant = tracked(velocity_time=0.2)
    follow(plant, 12)
    plant.place(0, np.array([1.0, 0.0, 0.0]), LEVEL, START)
    found = follow(plant, 2)
    assert not found["linear_velocity"].any()
    assert found["twist_covariance"][0, 0, 0] == UNKNOWN_VARIANCE * 1.0
    assert found["twist_covariance"][1, 0, 0] == 0.0
