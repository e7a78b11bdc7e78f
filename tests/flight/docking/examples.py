"""A vehicle with a port in front, and motions, for tests of docking."""

import math

import numpy as np

from testbed.description import messages
from testbed.description.axes import CABIN_AXES, TABLE_AXES
from testbed.description.messages import NS_PER_S
from testbed.description.port import Port
from testbed.flight.docking import Docking
from testbed.flight.docking.relative import RELATIVE
from testbed.flight.guidance.memory import MOTION
from tests.flight.example_vehicle import vehicle

START = messages.LOCKSTEP_START_NS
HEIGHT = 0.45
DOCKED = 0.42
"""Distance of the centres when docked on the table, m."""
PORT = Port(name="front", position=(0.15, 0.0, 0.0), floor_position=(0.21, 0.0, 0.0), direction=(1.0, 0.0, 0.0))
AXES = {"table": TABLE_AXES, "cabin": CABIN_AXES}


def ported(*more_ports):
    """The example vehicle with a port in front, and more."""
    return vehicle(ports=(PORT, *more_ports))


def docking(place="table", speed=0.07, own=None, partner=None):
    """Docking of two vehicles of one kind."""
    return Docking(own or ported(), partner or ported(), place, AXES[place], speed, 0.52, 0.8)


def motion(position=(0, 0, 0), turned=0.0, velocity=(0, 0, 0), rate=(0, 0, 0)):
    """One MOTION, shape (1,); turned about z, rad; rate along its own axes."""
    one = np.zeros(1, MOTION)
    one["position"], one["velocity"], one["rate"] = position, velocity, rate
    one["orientation"] = (0.0, 0.0, math.sin(turned / 2), math.cos(turned / 2))
    return one


def relative(place=(0, 0, 0), speed=(0, 0, 0), turn=(0, 0, 0), turning=(0, 0, 0)):
    """One RELATIVE, shape (1,)."""
    one = np.zeros(1, RELATIVE)
    one["place"], one["speed"], one["turn"], one["turning"] = place, speed, turn, turning
    return one


def odometry(position=(0, 0, HEIGHT), turned=0.0, velocity=(0, 0, 0), rate=0.0, seconds=0.0, deviation=0.001):
    """One messages.ODOMETRY, shape (1,); velocity in the fixed frame, rate about z; deviations m, m/s and rad alike."""
    one = np.zeros(1, messages.ODOMETRY)
    one["stamp"], one["position"] = START + round(seconds * NS_PER_S), position
    one["orientation"] = (0.0, 0.0, math.sin(turned / 2), math.cos(turned / 2))
    cosine, sine = math.cos(turned), math.sin(turned)
    x, y, z = velocity
    one["linear_velocity"] = (cosine * x + sine * y, -sine * x + cosine * y, z)
    one["angular_velocity"] = (0.0, 0.0, rate)
    one["pose_covariance"], one["twist_covariance"] = deviation**2 * np.eye(6), deviation**2 * np.eye(6)
    return one
