"""A camera and a partner before it, for tests: where they are, and markers large enough to measure in pictures."""

import numpy as np
from scipy.spatial.transform import Rotation

from testbed.description import messages
from testbed.description.camera import Camera, Fiducial
from tests.model.scene import a_vehicle

SIDE = 0.08
FRONT = 0.131
"""The flat side ahead of a vehicle is that far from its centre, and a plate lies on it."""
FACING = Rotation.from_euler("z", 180.0, degrees=True)
"""Orientation of a partner that looks at a level observer."""


def a_camera(**changes):
    """An ideal camera that looks ahead from the observer's centre; `changes` as in the YAML file."""
    return Camera(**({"position": (0.0, 0.0, 0.0), "dark_level": 0.0, "exposure_time": 0.0} | changes))


def a_fiducial(id=0, side=SIDE, **changes):
    """A marker in the middle of the side ahead."""
    return Fiducial(**({"id": id, "position": (FRONT, 0.0, 0.0), "normal": (1.0, 0.0, 0.0), "side": side} | changes))


def a_partner(*fiducials, name="siskin", **changes):
    return a_vehicle(name, fiducials=fiducials or (a_fiducial(),), **changes)


def motion(position=(0.0, 0.0, 0.0), rotation=None, velocity=(0.0, 0.0, 0.0), rate=(0.0, 0.0, 0.0)):
    """A messages.ODOMETRY record; velocity and rate along base_link."""
    record = np.zeros(1, messages.ODOMETRY)[0]
    record["position"] = position
    record["orientation"] = (rotation or Rotation.identity()).as_quat()
    record["linear_velocity"], record["angular_velocity"] = velocity, rate
    return record


def together(*motions):
    """Motions of several partners as one array."""
    records = np.zeros(len(motions), messages.ODOMETRY)
    for index, one in enumerate(motions):
        records[index] = one
    return records


def before(camera, fiducial, point, rotation=FACING, **moving):
    """Motion of a partner whose fiducial has its centre at `point` of the optical frame of a still observer at zero."""
    there = np.array(camera.position) + camera.orientation() @ np.asarray(point, float)
    return motion(there - rotation.apply(fiducial.position), rotation, **moving)


STILL = motion()
