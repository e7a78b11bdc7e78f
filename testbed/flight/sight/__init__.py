"""Sight: where a partner is, how it moves and what its inertias are, seen through the own camera.

`RelativeEstimator` takes own odometry and looks (LOOK); `detection.Detector` makes a look of a picture, and `look_at`
of corners found elsewhere.

Data flow: detection.py finds corners; pose.py gives the poses that one look may mean, to start from; motion.py carries
the estimate from picture to picture; edges.py, with optics.py, says what a look should show; update.py uses it;
following.py keeps phases and history; output.py writes the odometry. Only detection.py and pose.py need OpenCV.
"""

from testbed.flight.sight.calibration import Calibration
from testbed.flight.sight.layout import ACQUIRED, CONFIRMING, LOOK, SEARCHING
from testbed.flight.sight.look import look_at
from testbed.flight.sight.relative_estimator import Interval, RelativeEstimator, Spin

__all__ = [
    "ACQUIRED",
    "CONFIRMING",
    "LOOK",
    "SEARCHING",
    "Calibration",
    "Interval",
    "RelativeEstimator",
    "Spin",
    "look_at",
]
