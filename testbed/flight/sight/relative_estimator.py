"""Where a partner is, seen through the own camera alone: the relative estimator as the rest sees it.

Searching until one look gives a pose that no other explains as well, confirming until further looks agree with it,
acquired from then on. Without a view it coasts, ever less sure, until it is searching again.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from testbed.description.messages import ODOMETRY
from testbed.description.noise import Noise
from testbed.description.vehicle import Vehicle
from testbed.flight.sight import following, output
from testbed.flight.sight.calibration import Calibration
from testbed.flight.sight.layout import ACQUIRED, ATTITUDE, MARKER_ROWS, RATIOS, SEARCHING, SPIN
from testbed.flight.sight.parameters import Place, believed_parameters, initial_state

DECISIVE: Final = 30.0
"""By so much a pose must explain a look better than any other, squared innovations: odds of three million to one."""
SAME_POSITION, SAME_ATTITUDE = 0.02, math.radians(3.0)
"""Poses as near to each other, m and rad, are one."""
WORST_FIT: Final = 4.0
"""A look that its best pose explains worse than that, per row, shows something else."""
QUANTILE: Final = 1.96
"""Standard normal quantile of an interval that holds 95 %."""


class Spin(NamedTuple):
    """How a partner spins against inertial space.

    rate, rad/s, and its standard deviation; axis in own base_link, and its standard deviation across, rad.
    """

    rate: float
    rate_deviation: float
    axis: NDArray[np.float64]
    axis_deviation: float


class Interval(NamedTuple):
    """A figure and the bounds that hold it with 95 %."""

    value: float
    low: float
    high: float


# numba looks at every field of a record that Python hands over, but takes an array as it is.


@njit(cache=True)
def _accept_own(p: Any, s: Any, odometry: Any) -> None:
    following.accept_own(p[0], s[0], odometry[0])


@njit(cache=True)
def _accept_look(p: Any, s: Any, look: Any) -> None:
    following.accept_look(p[0], s[0], look[0])


@njit(cache=True)
def _begin(p: Any, s: Any, look: Any, position: Any, orientation: Any) -> float:
    return float(following.begin(p[0], s[0], look[0], position, orientation))


@njit(cache=True)
def _fill_odometry(p: Any, s: Any, stamp: int, odometry: Any) -> None:
    output.fill_odometry(p[0], s[0], stamp, odometry[0])


class RelativeEstimator:
    """Error-state filter (layout.py has its states); `parameters`, `state`: arrays, shape (1,), for compiled calls.

    observer, partner, noise and calibration are believed. Raises ValueError where there is nothing to see with, or at.
    """

    def __init__(
        self, observer: Vehicle, partner: Vehicle, noise: Noise, place: Place, calibration: Calibration | None = None
    ) -> None:
        self.parameters = believed_parameters(observer, partner, noise, place, calibration or Calibration())
        self.state = initial_state(self.parameters)

    def accept_own(self, odometry: NDArray[np.void]) -> None:
        """Take in own odometry (messages.ODOMETRY, shape (1,)), in order of time."""
        _accept_own(self.parameters, self.state, odometry)

    def accept_look(self, look: NDArray[np.void]) -> None:
        """Take in what was found in a picture (layout.LOOK, shape (1,)), after own odometry of its stamp."""
        if self.state[0]["phase"] != SEARCHING:
            _accept_look(self.parameters, self.state, look)
        elif look[0]["count"] > 0 and self.state[0]["history_end"] > self.state[0]["history_first"]:
            self._start(look)

    def _start(self, look: NDArray[np.void]) -> None:
        """Begin with the pose that explains a look by far best; none such: the look is left out."""
        from testbed.flight.sight.pose import poses_seen  # needs OpenCV, which a filter that runs does not

        before = self.state.copy()
        found: list[tuple[float, int, NDArray[np.void]]] = []
        for pose in poses_seen(self.parameters[0], look[0]):
            self.state[:] = before
            position, orientation = self._held(pose.position, pose.orientation)
            misfit = _begin(self.parameters, self.state, look, position, orientation)
            if math.isfinite(misfit):
                found.append((misfit, len(found), self.state.copy()))
        self.state[:] = before
        if not found:
            return
        found.sort()
        best = found[0]
        if best[0] > WORST_FIT * MARKER_ROWS * look[0]["count"]:
            return
        if any(misfit < best[0] + DECISIVE and _differ(best[2], other) for misfit, _, other in found[1:]):
            return
        self.state[:] = best[2]

    def _held(self, position: NDArray[np.float64], orientation: NDArray[np.float64]) -> tuple[Any, Any]:
        """The pose, level and at its height where the floor holds it."""
        p = self.parameters[0]
        if not p["planar"]:
            return position, orientation
        forward = Rotation.from_quat(orientation).apply([1.0, 0.0, 0.0])
        heading = math.atan2(forward[1], forward[0])
        level = np.array([0.0, 0.0, math.sin(0.5 * heading), math.cos(0.5 * heading)])
        return np.array([position[0], position[1], p["height"]]), level

    def output(self, stamp: int) -> Any:
        """The partner's odometry in own base_link at the last own odometry, whose stamp `stamp` is (ODOMETRY)."""
        odometry = np.zeros(1, ODOMETRY)
        _fill_odometry(self.parameters, self.state, stamp, odometry)
        return odometry[0]

    @property
    def acquired(self) -> bool:
        """Whether the published pose can be used."""
        return int(self.state[0]["phase"]) == ACQUIRED

    @property
    def last_seen(self) -> int:
        """Stamp of the last look in which a marker agreed, ns; 0: none yet."""
        return int(self.state[0]["last_seen"])

    def spin(self) -> Spin:
        """The partner's spin at the last picture's exposure."""
        track = self.state[0]["anchor"]
        turn = Rotation.from_quat(track["orientation"]).as_matrix()
        own, P = turn @ track["spin"], track["covariance"]
        J = np.hstack([turn, -_skew(own)])  # of the rate along own axes by spin and attitude
        at = [*range(SPIN, SPIN + 3), *range(ATTITUDE, ATTITUDE + 3)]
        C = J @ P[np.ix_(at, at)] @ J.T
        rate = float(np.linalg.norm(own))
        axis = own / rate if rate > 0.0 else np.zeros(3)
        along = float(axis @ C @ axis)
        across = max(float(np.trace(C)) - along, 0.0)
        return Spin(rate, math.sqrt(along), axis, math.sqrt(across) / rate if rate > 0.0 else math.inf)

    def inertia_ratios(self) -> tuple[Interval, Interval]:
        """The partner's principal inertias about x and about y over that about z."""
        track = self.state[0]["anchor"]
        reach = QUANTILE * np.sqrt(np.diag(track["covariance"])[RATIOS : RATIOS + 2])
        x, y = (
            Interval(*(float(math.exp(one)) for one in (mean, mean - way, mean + way)))
            for mean, way in zip(track["ratios"], reach, strict=True)
        )
        return x, y


def _skew(v: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array([[0.0, -v[2], v[1]], [v[2], 0.0, -v[0]], [-v[1], v[0], 0.0]])


def _differ(one: NDArray[np.void], other: NDArray[np.void]) -> bool:
    """Whether two states have the partner in different poses."""
    a, b = one[0]["anchor"], other[0]["anchor"]
    turn = Rotation.from_quat(a["orientation"]) * Rotation.from_quat(b["orientation"]).inv()
    return bool(np.linalg.norm(a["position"] - b["position"]) > SAME_POSITION or turn.magnitude() > SAME_ATTITUDE)
