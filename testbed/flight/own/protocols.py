"""What a user's own guidance and estimator must have; ours have it, too.

Records are numpy structured arrays of description/messages.py, of shape (1,) where one is meant:
`odometry[0]["position"]` reads a field, and `wrench[0]["force"] = ...` fills one. Their docstrings
say units and frames. Stamps are ns. What is handed in may be kept; it is never changed afterwards. No clock, file or
unseeded random number may be used: the same inputs must give the same outputs, or the graph and the engine differ. Any
exception stops the session safely.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from testbed.flight.estimation import Heard

Records = NDArray[np.void]


class GuidanceLike(Protocol):
    """A guidance, called as `Class(vehicle, place, active_axes)`.

    vehicle: description.vehicle.Vehicle as believed. place: "table" or "cabin". active_axes: names of the axes that are
    free there (description/axes.py).
    """

    def accept_maneuver(self, maneuver: Records) -> Any:
        """Take one messages.MANEUVER, which replaces the one before; its `number` has grown."""

    def step(
        self, odometry: Records, disturbance: Records, wrench: Records, reference: Records, status: Records
    ) -> None:
        """Answer `odometry` (messages.ODOMETRY), 20 times a second.

        disturbance: newest estimate of the steady force that is not of the valves, messages.WRENCH, fixed axes.
        wrench: fill with the wanted messages.WRENCH, N and N·m about the centre of mass along base_link; so far zero.
        reference: fill with the messages.ODOMETRY that is followed; so far where the vehicle is, at rest.
        status: fill with the account of the maneuver, messages.STATUS; so far idle. The conductor goes on to the next
        maneuver when `phase` is Phase.HOLDING (description/maneuver.py). Stamps and `number` are filled already.

        A class that has `accept_trajectory(trajectory)`, too, may fly formations: it is given one messages.TRAJECTORY
        twice a second while its maneuver is of that kind, mostly the same once more; none before anything is planned.
        """


class EstimatorLike(Protocol):
    """An estimator, called as `Class(vehicle, beacons, noise, place, active_axes, room)`.

    beacons, noise, room: description.beacons.Beacons, description.noise.Noise and description.table.Table or
    description.cabin.Cabin as believed; the rest as for guidance.
    """

    @property
    def gyro_bias(self) -> NDArray[np.float64]:
        """Estimated bias of the gyro, shape (3,), axes of imu_link, rad/s; zeros where none is estimated."""

    def disturbance(self, stamp: int) -> Records:
        """Estimated steady force that is not of the valves, one messages.WRENCH, N along the fixed axes, torque zero.

        Guidance feeds it forward; all zero where none is estimated.
        """

    def innovations(self) -> Records:
        """Innovations of the last beacon cycle used, messages.INNOVATION_POINT, shape (n,): m and m²; may be empty."""

    def step(self, heard: Heard, odometry: Records) -> None:
        """Take in what was heard and fill `odometry` (messages.ODOMETRY), 50 times a second.

        Pose of base_link in the fixed frame, m and quaternion (x, y, z, w); twist in base_link, m/s and rad/s; both
        covariances (6, 6). Without a fix it stays as it is handed in: variances messages.UNKNOWN_VARIANCE, by which
        guidance asks for nothing. The stamp is filled already.
        """
