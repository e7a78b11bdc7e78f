"""The estimator: pose, velocity, gyro bias and steady disturbance from gyro, valves and beacons.

`Estimator` builds it; the functions beside it are the compiled calls over `estimator.parameters[0]`,
`estimator.state[0]` and the records of description/messages.py.

layout.py holds all records. Data flow: inertial.py and valve_forces.py fill a history of gyro intervals;
propagation.py carries mean and covariance through it; cycle.py runs each beacon cycle through update.py at its own
times; acquisition.py, with window.py, search.py, position_start.py, pose_fit.py and outliers.py, finds the pose from
nothing, a share of the work each tick; thrust_errors.py is what is not known of the push; output.py writes the
odometry.
"""

from testbed.flight.estimation.estimator import (
    Estimator,
    accept_imu,
    accept_ranges,
    accept_report,
    accept_schedule,
    fill_disturbance,
    fill_odometry,
    innovations_of,
    set_air_temperature,
)
from testbed.flight.estimation.heard import Heard
from testbed.flight.estimation.layout import ACQUIRED, CONFIRMING, SEARCHING

__all__ = [
    "ACQUIRED",
    "CONFIRMING",
    "SEARCHING",
    "Estimator",
    "Heard",
    "accept_imu",
    "accept_ranges",
    "accept_report",
    "accept_schedule",
    "fill_disturbance",
    "fill_odometry",
    "innovations_of",
    "set_air_temperature",
]
