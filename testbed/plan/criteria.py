"""The one evaluation of criteria, used by the conductor, the report and campaigns alike."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S
from testbed.plan.criteria_schema import (
    AnyCriterion,
    AttitudeError,
    ContactForce,
    Criterion,
    GasUsed,
    KeptOut,
    PositionError,
    Separation,
)
from testbed.plan.geometry import angles_deg, distances, orientations_at, positions_at, separations
from testbed.plan.samples import GAS, TrySamples
from testbed.plan.track import TRACK

LONGEST_GAP_NS: Final = NS_PER_S // 2
"""A criterion cannot be met by samples that were never taken: with a longer gap it is not passed."""


@dataclass(frozen=True)
class CriterionResult:
    """What one criterion came to: the worst value and the stamp ns at which it was reached.

    `vehicle`: the vehicle or pair it is about. `value` is None where there was nothing to measure; `note` says why a
    result is not what the numbers alone suggest.
    """

    name: str
    kind: str
    vehicle: str
    value: float | None
    limit: float
    unit: str
    passed: bool
    stamp: int | None
    note: str = ""


@dataclass(frozen=True)
class _Values:
    """Values over time, and the vehicle or pair they are about."""

    vehicle: str
    stamps: NDArray[np.int64]
    values: NDArray[np.float64]


NO_TRACK: Final = np.zeros(0, TRACK)


def evaluate(criteria: Sequence[AnyCriterion], samples: TrySamples) -> list[CriterionResult]:
    """Judge one try; a criterion about vehicles gives one result for each vehicle. The try passes if all are passed."""
    return [result for criterion in criteria for result in _evaluate_one(criterion, samples)]


def window(criterion: Criterion, start: int, end: int) -> tuple[int, int]:
    """First and last stamp ns that a criterion looks at in a try from `start` to `end`."""
    asked = criterion.window
    if asked is None:
        return start, end
    if asked.last is not None:
        return max(start, end - round(asked.last * NS_PER_S)), end
    return start + round((asked.begin or 0.0) * NS_PER_S), start + round((asked.end or 0.0) * NS_PER_S)


def _evaluate_one(criterion: AnyCriterion, samples: TrySamples) -> Iterator[CriterionResult]:
    vehicles = criterion.vehicles or samples.vehicles
    match criterion:
        case PositionError():
            for vehicle in vehicles:
                yield _largest(criterion, _position_errors(criterion, samples, vehicle), criterion.limit, "m", samples)
        case AttitudeError():
            for vehicle in vehicles:
                errors = _attitude_errors(criterion, samples, vehicle)
                yield _largest(criterion, errors, criterion.limit_deg, "°", samples)
        case Separation():
            yield _closest_pair(criterion, samples, vehicles)
        case KeptOut():
            for vehicle in vehicles:
                yield _worst(criterion, _clearances(samples, vehicle), -1.0, criterion.minimum, "m", samples)
        case GasUsed():
            for vehicle in vehicles:
                yield _gas_used(criterion, samples, vehicle)
        case ContactForce():
            yield _hardest_contact(criterion, samples, vehicles)


def _position_errors(criterion: PositionError, samples: TrySamples, vehicle: str) -> _Values:
    truth, wanted = _compared(criterion.against, samples, vehicle)
    target = np.array(samples.goals[vehicle].position) if criterion.against == "goal" else wanted["position"]
    errors = distances(positions_at(wanted["stamp"], truth), target, samples.dimensions)
    return _Values(vehicle, wanted["stamp"], errors)


def _attitude_errors(criterion: AttitudeError, samples: TrySamples, vehicle: str) -> _Values:
    truth, wanted = _compared(criterion.against, samples, vehicle)
    target = np.array(samples.goals[vehicle].orientation) if criterion.against == "goal" else wanted["orientation"]
    return _Values(vehicle, wanted["stamp"], angles_deg(orientations_at(wanted["stamp"], truth), target))


def _clearances(samples: TrySamples, vehicle: str) -> _Values:
    truth = samples.truth.get(vehicle, NO_TRACK)
    points = truth["position"][:, : samples.dimensions]
    return _Values(vehicle, truth["stamp"], samples.keep_out.clearance(vehicle, points))


def _compared(against: str, samples: TrySamples, vehicle: str) -> tuple[NDArray[np.void], NDArray[np.void]]:
    """Truth, and the samples at whose stamps it is compared: its own (goal) or those of the reference it covers."""
    truth = samples.truth.get(vehicle, NO_TRACK)
    if against == "goal" or not len(truth):
        return truth, truth
    reference = samples.reference.get(vehicle, NO_TRACK)
    stamps = reference["stamp"]
    return truth, reference[(stamps >= truth["stamp"][0]) & (stamps <= truth["stamp"][-1])]


def _largest(criterion: Criterion, values: _Values, limit: float, unit: str, samples: TrySamples) -> CriterionResult:
    return _worst(criterion, values, 1.0, limit, unit, samples)


def _closest_pair(criterion: Separation, samples: TrySamples, vehicles: Sequence[str]) -> CriterionResult:
    """Of all pairs with a vehicle that the criterion is about; a pair without samples is the worst."""
    results = []
    for first, second in combinations(samples.vehicles, 2):
        if first in vehicles or second in vehicles:
            a, b = samples.truth.get(first, NO_TRACK), samples.truth.get(second, NO_TRACK)
            between = _Values(f"{first}, {second}", *separations(a, b, samples.dimensions))
            results.append(_worst(criterion, between, -1.0, criterion.minimum, "m", samples))
    if not results:
        return _result(criterion, "", None, criterion.minimum, "m", True, None, "there is no second vehicle")
    return min(results, key=lambda result: (result.passed, -1.0 if result.value is None else result.value))


def _worst(
    criterion: Criterion, series: _Values, sign: float, limit: float, unit: str, samples: TrySamples
) -> CriterionResult:
    """Find the worst value in the window: the largest for sign 1, the smallest for -1. A gap is never a pass."""
    low, high = window(criterion, samples.start, samples.end)
    inside = (series.stamps >= low) & (series.stamps <= high)
    stamps, values = series.stamps[inside], series.values[inside]
    if not len(values):
        return _result(criterion, series.vehicle, None, limit, unit, False, None, "no samples in the window")
    index = int(np.argmax(sign * values))  # the first NaN, if there is one
    value, stamp = float(values[index]), int(stamps[index])
    if not math.isfinite(value):
        return _result(criterion, series.vehicle, None, limit, unit, False, stamp, "not a finite number")
    gap = int(np.diff(np.concatenate([[low], stamps, [high]])).max())
    note = f"no samples for {gap / NS_PER_S:.2f} s" if gap > LONGEST_GAP_NS else ""
    passed = sign * value <= sign * limit and not note
    return _result(criterion, series.vehicle, value, limit, unit, passed, stamp, note)


def _gas_used(criterion: GasUsed, samples: TrySamples, vehicle: str) -> CriterionResult:
    """Mass at the beginning of the window less mass at its end, each from the last sample at or before it."""
    low, high = window(criterion, samples.start, samples.end)
    gas, limit = samples.gas.get(vehicle, np.zeros(0, GAS)), criterion.limit_g
    first, last = (int(np.searchsorted(gas["stamp"], at, "right")) - 1 for at in (low, high))
    if first < 0:
        return _result(criterion, vehicle, None, limit, "g", False, None, "tank not measured at the beginning")
    value = 1e3 * float(gas["mass"][first] - gas["mass"][last])
    late = high - int(gas["stamp"][last]) > LONGEST_GAP_NS
    note = "tank not measured at the end" if late else ""
    return _result(criterion, vehicle, value, limit, "g", value <= limit and not late, high, note)


def _hardest_contact(criterion: ContactForce, samples: TrySamples, vehicles: Sequence[str]) -> CriterionResult:
    low, high = window(criterion, samples.start, samples.end)
    touched = [
        contact
        for contact in samples.contacts
        if low <= contact.stamp <= high and (contact.first in vehicles or contact.second in vehicles)
    ]
    if not touched:
        return _result(criterion, "", 0.0, criterion.limit, "N", True, None, "no contact")
    hardest = max(touched, key=lambda contact: contact.peak_force)
    force, pair = hardest.peak_force, f"{hardest.first}, {hardest.second}"
    return _result(criterion, pair, force, criterion.limit, "N", force <= criterion.limit, hardest.stamp)


def _result(
    criterion: Any,
    vehicle: str,
    value: float | None,
    limit: float,
    unit: str,
    passed: bool,
    stamp: int | None,
    note: str = "",
) -> CriterionResult:
    return CriterionResult(criterion.name, criterion.kind, vehicle, value, limit, unit, passed, stamp, note)
