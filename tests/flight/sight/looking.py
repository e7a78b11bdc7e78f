"""A camera, a partner and estimates of it, for tests of sight."""

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description.messages import ODOMETRY
from testbed.description.noise import Noise
from testbed.flight.sight import RelativeEstimator
from testbed.flight.sight.layout import ERRORS
from tests.model.gaze import FRONT, a_camera, a_fiducial
from tests.model.scene import a_vehicle

LENS = (-0.28, 0.09, 0.0005, -0.0003, 0.01)
CAMERA = a_camera(
    position=(0.13, 0.03, -0.07),
    look=(1.0, 0.05, 0.1),
    principal_point=(161.3, 118.8),
    distortion=LENS,
    exposure_time=0.004,
    exposure_delay=0.008,
    defocus_px=0.5,
    noise=2.0,
)
FOUR_SIDES = tuple(
    a_fiducial(k, position=(FRONT * x, FRONT * y, 0.0), normal=(x, y, 0.0))
    for k, (x, y) in enumerate(((1, 0), (0, 1), (-1, 0), (0, -1)))
)
OBSERVER = a_vehicle("wren", camera=CAMERA)
PARTNER = a_vehicle("siskin", fiducials=FOUR_SIDES)
NOISE = Noise(name="test")
HEADING = Rotation.from_euler("z", 140.0, degrees=True)
"""So turned a partner ahead shows two sides."""


def an_estimator(place="cabin", partner=PARTNER, observer=OBSERVER):
    return RelativeEstimator(observer, partner, NOISE, place)


def set_track(track, generator):
    """Some estimate of a partner before the camera, with errors of the camera in it."""
    track["position"] = np.array((0.9, 0.05, -0.02)) + generator.normal(0.0, 0.05, 3)
    track["velocity"] = generator.normal(0.0, 0.05, 3)
    track["orientation"] = (Rotation.from_rotvec(generator.normal(0.0, 0.1, 3)) * HEADING).as_quat()
    track["spin"] = generator.normal(0.0, 0.1, 3)
    track["ratios"] = generator.normal(0.0, 0.1, 2)
    track["rate_bias"], track["own_speed"] = generator.normal(0.0, 0.001, 3), generator.normal(0.0, 0.002, 3)
    track["lens"], track["mount"] = generator.normal(0.0, 0.001, 3), generator.normal(0.0, 0.003, 3)
    track["focal"], track["centre"] = generator.normal(0.0, 0.002), generator.normal(0.0, 0.5, 2)
    track["distortion"] = generator.normal(0.0, 0.003)


def shifted(move, track, index, size):
    """A copy of a track, shape (1,), with one error of the state added by the filter's `move`."""
    error, there = np.zeros(ERRORS), track.copy()
    error[index] = size
    move(there[0], track[0], error)
    return there


def own_motion(stamp, velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.0), speed_deviation=0.001, rate_deviation=0.002):
    """Own odometry, shape (1,); velocity and rate along own axes."""
    record = np.zeros(1, ODOMETRY)
    one = record[0]
    one["stamp"], one["linear_velocity"], one["angular_velocity"] = stamp, velocity, rate
    one["twist_covariance"] = np.diag([speed_deviation**2] * 3 + [rate_deviation**2] * 3)
    return record
