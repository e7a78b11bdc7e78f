"""Stands between a user's own guidance and the rest."""

from __future__ import annotations

from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from testbed.description.maneuver import Phase, Reason
from testbed.description.messages import NS_PER_S
from testbed.description.vehicle import Vehicle
from testbed.flight.own.errors import OwnPartError, named
from testbed.flight.own.protocols import GuidanceLike

NEEDED: Final = ("accept_maneuver", "step")


class OwnGuidance:
    """Offers what guidance.Guidance offers and lets the user's class answer; see protocols.GuidanceLike.

    Raises OwnPartError where the class cannot be built, lacks something, raises, or answers what makes no sense. A
    wrench that is not finite or absurdly large is left to the guard, which refuses and names it.
    """

    def __init__(
        self, found: type, vehicle: Vehicle, place: Literal["table", "cabin"], active_axes: tuple[str, ...]
    ) -> None:
        self._name = f"own guidance {found.__name__} of {vehicle.name}"
        with named(f"a class that can be built as {found.__name__}(vehicle, place, active_axes)"):
            self.part: GuidanceLike = found(vehicle, place, active_axes)
        must_have(self.part, NEEDED)
        self._number = 0

    def accept_maneuver(self, maneuver: NDArray[np.void]) -> bool:
        """Pass on one messages.MANEUVER; False if its number is not larger than that of the last one."""
        number = int(maneuver[0]["number"])
        if number <= self._number:
            return False
        self._number = number
        with named(f"{self._name} failed at maneuver {number}"):
            self.part.accept_maneuver(maneuver.copy())
        return True

    def accept_trajectory(self, trajectory: NDArray[np.void]) -> bool:
        """Pass on one messages.TRAJECTORY, which may be the same as before, to a class that flies formations.

        One without knots, which says that nothing is planned yet, is not passed on: False.
        """
        if trajectory[0]["count"] == 0:
            return False
        with named(f"{self._name} failed at a trajectory"):
            self.part.accept_trajectory(trajectory.copy())  # type: ignore[attr-defined]
        return True

    @property
    def flies_formations(self) -> bool:
        """Whether the class has what maneuvers of kind formation need."""
        return hasattr(self.part, "accept_trajectory")

    def step(self, odometry: Any, disturbance: Any, wrench: Any, reference: Any, status: Any) -> None:
        """As guidance.Guidance.step."""
        stamp = odometry[0]["stamp"]
        self._prepare(odometry, wrench, reference, status)
        with named(f"{self._name} failed at {stamp / NS_PER_S:.2f} s"):
            self.part.step(odometry.copy(), disturbance.copy(), wrench, reference, status)
        wrench[0]["stamp"] = reference[0]["stamp"] = status[0]["stamp"] = stamp
        self._judge(reference[0], status[0])

    def _prepare(self, odometry: Any, wrench: Any, reference: Any, status: Any) -> None:
        """What stands in the answers before the user's class fills them."""
        wrench[0] = np.zeros((), wrench.dtype)
        status[0] = np.zeros((), status.dtype)
        status[0]["number"] = self._number
        reference[0] = odometry[0]
        for name in ("linear_velocity", "angular_velocity", "pose_covariance", "twist_covariance"):
            reference[0][name] = 0.0
        wrench[0]["stamp"] = reference[0]["stamp"] = status[0]["stamp"] = odometry[0]["stamp"]

    def _judge(self, reference: Any, status: Any) -> None:
        must_be_finite(self._name, "reference", reference)
        must_be_finite(self._name, "status", status)
        for kind in (Phase, Reason):
            value = int(status[kind.__name__.lower()])
            if value not in set(kind):
                raise OwnPartError(f"{self._name}: {kind.__name__.lower()} {value} is no member of {kind.__name__}")


def must_have(part: object, names: tuple[str, ...]) -> None:
    """Raise OwnPartError naming what a user's object lacks; a property that raises counts as failed, not as lacking."""
    lacking = [name for name in names if not hasattr(type(part), name) and name not in vars(part)]
    if lacking:
        raise OwnPartError(f"a class with {', '.join(names)}; {type(part).__name__} lacks {', '.join(lacking)}")


def must_be_finite(name: str, what: str, record: Any) -> None:
    """Raise OwnPartError naming the first field of a record that is not finite."""
    for field in record.dtype.names:
        if not np.isfinite(record[field]).all():
            raise OwnPartError(f"{name}: {field} of its {what} is not finite")
