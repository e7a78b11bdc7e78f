"""What ends a try at once."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from testbed.description.cabin import Cabin
from testbed.description.messages import NS_PER_S, UNKNOWN_VARIANCE
from testbed.description.table import Table
from testbed.plan.criteria_schema import (
    AnyAbort,
    ContactForceAbove,
    LostFix,
    LowBattery,
    LowGas,
    Outside,
    PositionErrorAbove,
    SeparationBelow,
    Spin,
)
from testbed.plan.observation import Observation
from testbed.plan.try_log import TryLog

COMPARABLE_NS = NS_PER_S // 5
"""A reference older than this beside the newest truth says nothing about the error now."""


class AbortWatch:
    """Looks at every observation of a try; remembers since when each vehicle has had no fix."""

    def __init__(self, place: Table | Cabin, dimensions: int) -> None:
        self._low, self._high = area(place)
        self._dimensions = dimensions
        self._last_fix: dict[str, int] = {}

    def begin(self, stamp: int, vehicles: Sequence[str]) -> None:
        """A try begins at this stamp (ns)."""
        self._last_fix = dict.fromkeys(vehicles, stamp)

    def saw_all(self, stamp: int) -> None:
        """Every vehicle had a fix at this stamp (ns)."""
        self._last_fix = dict.fromkeys(self._last_fix, stamp)

    def reason(self, criteria: Sequence[AnyAbort], seen: Observation, log: TryLog) -> str | None:
        """Why the try must end now, in a sentence; None if it need not."""
        for name, odometry in seen.odometry.items():
            if has_fix(odometry):
                self._last_fix[name] = int(odometry["stamp"])
        for criterion in criteria:
            if found := self._check(criterion, seen, log):
                return found
        return None

    def _check(self, criterion: AnyAbort, seen: Observation, log: TryLog) -> str | None:
        match criterion:
            case SeparationBelow():
                between = log.new_separation
                if between is not None and between < criterion.minimum:
                    return (
                        f"two vehicles came as close as {between:.3f} m; {criterion.minimum:g} m is the least allowed"
                    )
            case ContactForceAbove():
                force = max((contact.peak_force for contact in log.new_contacts), default=0.0)
                if force > criterion.limit:
                    return f"a contact of {force:.1f} N; {criterion.limit:g} N is allowed"
            case PositionErrorAbove():
                return _first(log.newest, lambda name: self._off_reference(criterion.limit, name, log))
            case Outside():
                return _first(log.newest, lambda name: self._outside(criterion.margin, name, log))
            case Spin():
                return _first(seen.odometry, lambda name: _spinning(criterion.limit_deg, seen.odometry[name]))
            case LostFix():
                return _first(self._last_fix, lambda name: self._lost(criterion.longest, name, seen.stamp))
            case LowGas():
                return _first(log.gas, lambda name: _low_gas(criterion.minimum_g, 1e3 * log.gas[name]))
            case LowBattery():
                return _first(seen.battery, lambda name: _low_battery(criterion, *seen.battery[name]))
        return None

    def _off_reference(self, limit: float, name: str, log: TryLog) -> str | None:
        truth, reference = log.newest[name], log.reference.get(name)
        if reference is None or abs(int(truth["stamp"]) - int(reference["stamp"])) > COMPARABLE_NS:
            return None
        error = math.dist(truth["position"][: self._dimensions], reference["position"][: self._dimensions])
        return f"is {error:.3f} m off its reference; {limit:g} m is allowed" if error > limit else None

    def _outside(self, margin: float, name: str, log: TryLog) -> str | None:
        position = log.newest[name]["position"]
        for axis in range(len(self._low)):
            if not self._low[axis] - margin <= position[axis] <= self._high[axis] + margin:
                return f"left the working area at x = {position[0]:.3f} m, y = {position[1]:.3f} m"
        return None

    def _lost(self, longest: float, name: str, stamp: int) -> str | None:
        without = (stamp - self._last_fix[name]) / NS_PER_S
        return f"has had no fix for {without:.1f} s; {longest:g} s is allowed" if without > longest else None


def area(place: Table | Cabin) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Lower and upper corner of where vehicles may be, m: two axes on the table, three in the cabin."""
    if isinstance(place, Table):
        return place.working_area
    return tuple(-0.5 * length for length in place.size), tuple(0.5 * length for length in place.size)


def has_fix(odometry: Any) -> bool:
    """Whether an estimator that sends this messages.ODOMETRY record knows where it is."""
    known = odometry["pose_covariance"][0, 0] < 0.5 * UNKNOWN_VARIANCE
    return bool(known and np.isfinite(odometry["position"]).all())


def _spinning(limit_deg: float, odometry: Any) -> str | None:
    rate = math.degrees(float(np.linalg.norm(odometry["angular_velocity"])))
    return f"turns at {rate:.1f} °/s; {limit_deg:g} °/s is allowed" if rate > limit_deg else None


def _low_gas(minimum_g: float, left_g: float) -> str | None:
    return f"has {left_g:.1f} g of gas left; {minimum_g:g} g is the least allowed" if left_g < minimum_g else None


def _low_battery(criterion: LowBattery, charge: float, voltage: float) -> str | None:
    least_charge, least_voltage = criterion.minimum_charge, criterion.minimum_voltage
    if least_charge is not None and charge < least_charge:
        return (
            f"has {100.0 * charge:.1f} % of its battery's charge left; {100.0 * least_charge:g} % is the least allowed"
        )
    if least_voltage is not None and voltage < least_voltage:
        return f"has {voltage:.2f} V from its battery; {least_voltage:g} V is the least allowed"
    return None


def _first(vehicles: Any, check: Callable[[str], str | None]) -> str | None:
    """Ask about each vehicle; the first finding, with the vehicle's name before it."""
    for name in vehicles:
        if found := check(name):
            return f"{name} {found}"
    return None
