"""Quiet steps: those at which the sequence decides nothing, so that a compiled loop need not ask it.

While a try runs, or vehicles settle before it, `Sequence.step` mostly adds to its logs. `QuietWatch.look` writes down,
in arrays, all that could make it do more: times at which something is due, maneuvers that may be done, who is in place,
abort criteria, warnings of gas, landings. `stirs` (stirs.py) holds one step's messages against that. Where it finds
nothing, `take_in` makes of the sequence what `step` would have made of it. Whoever lets the sequence react to something
new in these phases adds it here and there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from testbed.description.gas_tables import gas_table
from testbed.description.messages import NS_PER_S
from testbed.plan.abort import area
from testbed.plan.commands import PlanState, SessionPhase
from testbed.plan.configuration import Configuration
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
from testbed.plan.gas_account import AT_THE_END
from testbed.plan.observation import Stretch
from testbed.plan.positioning import POSITIONING_LIMIT, SETTLED
from testbed.plan.room_air import room_volume_of
from testbed.plan.stirs import IN_PLACE, LIMITS, MARGIN, MOVING_IN, RUNNING, WATCHED, WEIGHED, WatchArrays

if TYPE_CHECKING:
    from testbed.plan.sequence import Sequence as RunSequence


class QuietWatch:
    """The arrays for `stirs`, of one session."""

    def __init__(self, configuration: Configuration) -> None:
        vehicles = configuration.vehicles
        kinds = [vehicle.gas.kind for vehicle in vehicles.values()]
        self._names = list(vehicles)
        self._place = configuration.room
        self.arrays = WatchArrays(
            np.zeros(1, LIMITS),
            np.zeros(len(vehicles), WATCHED),
            np.zeros(len(vehicles), WEIGHED),
            np.concatenate([gas_table(kind) for kind in kinds]),
        )
        limits, watched = self.arrays.limits[0], self.arrays.watched
        if configuration.table is not None:
            limits["float_pressure"] = configuration.table.bearing.float_pressure
        limits["dimensions"] = 3 if configuration.table is None else 2
        limits["distance"], limits["angle"] = SETTLED.distance, math.radians(SETTLED.angle_deg)
        limits["speed"], limits["rate"] = SETTLED.speed, math.radians(SETTLED.rate_deg)
        limits["deviation"] = SETTLED.deviation
        watched["warning_temperature"] = [vehicle.gas.warning_temperature for vehicle in vehicles.values()]
        watched["coldest"] = self.arrays.tables["coldest"] + AT_THE_END
        watched["room_volume"] = [room_volume_of(kind, 1.0) for kind in kinds]

    def look(self, sequence: RunSequence) -> bool:
        """Write down what could make the next steps of a sequence decide; False: each of them may."""
        if sequence.gas.unmodelled is not None or not self._look_at_phase(sequence):
            return False
        self.arrays.limits[0]["released"] = sequence.gas.allowance
        for v, name in enumerate(self._names):
            if name not in sequence.log.supply:
                return False
            one, weighed = self.arrays.watched[v], self.arrays.weighed[v]
            one["landed"], one["cold"] = name in sequence.floating.landed, name in sequence.gas.cold
            one["least"] = sequence.gas.least[name]
            weighed["pressure"], weighed["temperature"] = sequence.log.supply[name]
            weighed["gauge"] = sequence.log.gauges[name].state
        return self._look_at_aborts(sequence.configuration.plan.aborts(sequence.run))

    def _look_at_phase(self, sequence: RunSequence) -> bool:
        limits, run = self.arrays.limits[0], sequence.run
        match sequence.phase:
            case SessionPhase.RUNNING:
                limits["settling"], limits["together"] = RUNNING, run.together
                end = sequence.since + int(run.time_limit * NS_PER_S)
                limits["until"] = min(end, sequence.faults.next_change)
                self._look_at_maneuvers(sequence)
            case SessionPhase.SETTLING:
                in_place = sequence.in_place_since
                limits["settling"] = MOVING_IN if in_place is None else IN_PLACE
                begun, seconds = (sequence.since, POSITIONING_LIMIT) if in_place is None else (in_place, 0.0)
                limits["until"] = begun + int((seconds + run.settle) * NS_PER_S)
                for v, name in enumerate(self._names):
                    pose = sequence.poses[sequence.run_index].start[name]
                    self.arrays.watched[v]["position"] = pose.position
                    self.arrays.watched[v]["orientation"] = pose.orientation
            case _:
                return False
        return True

    def _look_at_maneuvers(self, sequence: RunSequence) -> None:
        assert sequence.progress is not None
        for one, name in zip(self.arrays.watched, self._names, strict=True):
            awaited = sequence.progress.awaited(name)
            one["busy"] = awaited is not None
            if awaited is not None:
                one["done_stamp"], one["done_number"] = awaited

    def _look_at_aborts(self, criteria: Sequence[AnyAbort]) -> bool:
        limits = self.arrays.limits[0]
        for name in ("separation", "gas", "charge", "voltage"):
            limits[name] = -1.0
        limits["position_error"] = limits["spin"] = limits["high"] = np.inf
        limits["low"] = -np.inf
        for criterion in criteria:
            match criterion:
                case SeparationBelow():
                    limits["separation"] = max(limits["separation"], criterion.minimum)
                case PositionErrorAbove():
                    limits["position_error"] = min(limits["position_error"], criterion.limit)
                case Outside():
                    for axis, (low, high) in enumerate(zip(*area(self._place), strict=True)):
                        limits["low"][axis] = max(limits["low"][axis], low - criterion.margin + MARGIN)
                        limits["high"][axis] = min(limits["high"][axis], high + criterion.margin - MARGIN)
                case Spin():
                    limits["spin"] = min(limits["spin"], math.radians(criterion.limit_deg))
                case LowGas():
                    limits["gas"] = max(limits["gas"], 1e-3 * criterion.minimum_g)
                case LowBattery():
                    limits["charge"] = max(limits["charge"], criterion.minimum_charge or -1.0)
                    limits["voltage"] = max(limits["voltage"], criterion.minimum_voltage or -1.0)
                case ContactForceAbove() | LostFix():
                    pass  # no step with a contact, or without a fix, is quiet
                case _:
                    return False
        return True


def take_in(sequence: RunSequence, stretch: Stretch, tell: bool) -> list[PlanState]:
    """Let quiet steps go by, which are followed by a `step`; with `tell`, what each would have told.

    Then `stretch.seen` holds all of them.
    """
    lows = sequence.log.add_stretch(stretch)
    worst, states, first = sequence.log.worst_separation, [], 0
    for last, seen in stretch.seen.items():
        steps = slice(first, last + 1)
        weighed, first = stretch.weighed[steps], last + 1
        sequence.log.book(stretch.stamps[steps], weighed)
        sequence.gas.book(stretch.stamps[steps], weighed)
        if lows is not None:
            low = float(lows[stretch.until[last] - 1])
            sequence.log.worst_separation = low if worst is None else min(low, worst)
        if tell:
            states.append(sequence.state(seen))
    sequence.aborts.saw_all(stretch.stamps[-1])
    return states
