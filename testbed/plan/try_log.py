"""Keeps what is observed, so that a try can be judged when it is over and watched while it runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description.gas_gauge import TankGauge
from testbed.description.vehicle import Vehicle
from testbed.plan.geometry import separations
from testbed.plan.keep_out import KeepOut
from testbed.plan.observation import Contact, Observation, Stretch
from testbed.plan.poses import PlannedPose
from testbed.plan.samples import GAS, TrySamples, joined
from testbed.plan.track import TRACK, track


class TryLog:
    """Samples since the try began, the newest of each vehicle, and the closest that two vehicles have come.

    `gas`: mass in each tank, kg, by its gauge from `supply`, the latest pressure Pa and temperature K weighed.
    """

    def __init__(self, vehicles: Mapping[str, Vehicle], dimensions: int, keep_out: KeepOut) -> None:
        self.dimensions, self._keep_out = dimensions, keep_out
        self.newest: dict[str, Any] = {}
        self.reference: dict[str, Any] = {}
        self.gas: dict[str, float] = {}
        self.new_contacts: Sequence[Contact] = ()
        self.worst_separation: float | None = None
        self.new_separation: float | None = None
        self.gauges = {name: TankGauge(vehicle.gas) for name, vehicle in vehicles.items()}
        self.supply: dict[str, tuple[float, float]] = {}
        self._true: set[str] = set()
        self._truth: dict[str, list[Any]] = {name: [] for name in vehicles}
        self._reference: dict[str, list[Any]] = {name: [] for name in vehicles}
        self._gas: dict[str, list[Any]] = {name: [] for name in vehicles}
        self._contacts: list[Contact] = []
        self._keeping = False

    def begin(self) -> None:
        """A try begins: from now on samples are kept; the last ones may be those of its first moment."""
        self._keeping = True
        self._contacts = list(self.new_contacts)
        self.worst_separation = self.new_separation

    def end(self) -> None:
        """A try was judged: its samples are no longer needed."""
        self._keeping = False

    def add(self, seen: Observation) -> None:
        """Take in one observation."""
        if not self._keeping:
            self._forget()
        new = {}
        for name in self.gauges:
            if (samples := self._new_track(name, seen)) is not None:
                new[name] = samples
                self.newest[name] = samples[-1]
                self._truth[name].append(samples)
            reference = seen.reference.get(name)
            if reference is not None and len(reference):
                self._reference[name].append(track(reference))
                self.reference[name] = self._reference[name][-1][-1]
        self.weigh(seen.stamp, seen.supply)
        self.new_contacts = seen.contacts
        self._contacts.extend(seen.contacts)
        self.new_separation = self._closest(new)
        self.worst_separation = _smaller(self.new_separation, self.worst_separation)

    def weigh(self, stamp: int, supply: Mapping[str, tuple[float, float]]) -> None:
        """Take in the latest pressure Pa and temperature K of each tank."""
        for name in self.gauges:
            if (one := supply.get(name)) is None:
                continue
            if one != self.supply.get(name):  # one that is still the latest was weighed already
                self.gas[name] = self.gauges[name].weigh_one(stamp, *one)
                self.supply[name] = one
            self._gas[name].append((stamp, self.gas[name]))

    def book(self, stamps: Sequence[int], weighed: NDArray[np.void]) -> None:
        """Take in what others have weighed, at stamps in ns: stirs.WEIGHED, shape (stamps, vehicles)."""
        for v, (name, gauge) in enumerate(self.gauges.items()):
            masses, last = weighed[:, v]["gauge"]["mass"].tolist(), weighed[-1, v]
            gauge.state = last["gauge"]
            self.gas[name] = masses[-1]
            self.supply[name] = float(last["pressure"]), float(last["temperature"])
            self._gas[name].extend(zip(stamps, masses, strict=True))

    def add_stretch(self, stretch: Stretch) -> NDArray[np.float64] | None:
        """Take in where vehicles were during quiet steps.

        Returns the closest that two have come since the first of these steps, at each sample of truth; None if alone.
        """
        for name, truth in stretch.truth.items():
            samples, reference = truth.copy(), stretch.reference[name].copy()
            if not self._keeping:  # then nothing before the last step is needed
                samples, reference = samples[-1:], reference[-1:]
            self._truth[name].append(samples)
            self._reference[name].append(reference)
            self.newest[name], self.reference[name] = samples[-1], reference[-1]
        between = [
            separations(stretch.truth[first], stretch.truth[second], self.dimensions)[1]
            for first, second in combinations(stretch.truth, 2)
        ]
        return np.minimum.accumulate(np.minimum.reduce(between)) if between else None

    def samples(self, start: int, end: int, goals: Mapping[str, PlannedPose]) -> TrySamples:
        """Everything kept, as one try from `start` to `end` (stamps ns)."""
        return TrySamples(
            start=start,
            end=end,
            dimensions=self.dimensions,
            goals=goals,
            truth={name: joined(pieces, TRACK) for name, pieces in self._truth.items()},
            reference={name: joined(pieces, TRACK) for name, pieces in self._reference.items()},
            gas={name: np.array(pairs, GAS) for name, pairs in self._gas.items()},
            contacts=tuple(self._contacts),
            keep_out=self._keep_out,
        )

    def _forget(self) -> None:
        histories: list[dict[str, list[Any]]] = [self._truth, self._reference, self._gas]
        for history in histories:
            for kept in history.values():
                del kept[:-1]
        self._contacts.clear()

    def _new_track(self, name: str, seen: Observation) -> NDArray[np.void] | None:
        """New samples of truth; of odometry for a vehicle that has never sent any truth."""
        truth = seen.truth.get(name)
        if truth is not None and len(truth):
            self._true.add(name)
            return track(truth)
        if name in self._true or name not in seen.odometry:
            return None
        latest = seen.odometry[name]
        if name in self.newest and self.newest[name]["stamp"] >= latest["stamp"]:
            return None
        return track(np.array([latest]))

    def _closest(self, new: Mapping[str, NDArray[np.void]]) -> float | None:
        closest: float | None = None
        for first, second in combinations(new, 2):
            _, between = separations(new[first], new[second], self.dimensions)
            if len(between):
                closest = _smaller(float(between.min()), closest)
        return closest


def _smaller(a: float | None, b: float | None) -> float | None:
    return min((value for value in (a, b) if value is not None), default=None)
