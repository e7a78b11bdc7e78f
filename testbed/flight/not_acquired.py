"""What an odometry says that does not know."""

from __future__ import annotations

from typing import Any

from numba import njit

from testbed.description.messages import UNKNOWN_VARIANCE


@njit(cache=True)
def fill_not_acquired(odometry: Any) -> None:
    """Make an ODOMETRY one without a fix: position zero, orientation identity, twist zero, variances UNKNOWN_VARIANCE.

    Its covariances are zero before.
    """
    odometry.position[:] = 0.0
    odometry.orientation[:] = (0.0, 0.0, 0.0, 1.0)
    odometry.linear_velocity[:] = 0.0
    odometry.angular_velocity[:] = 0.0
    for i in range(6):
        odometry.pose_covariance[i, i] = UNKNOWN_VARIANCE
        odometry.twist_covariance[i, i] = UNKNOWN_VARIANCE
