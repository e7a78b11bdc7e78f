"""Keeps what is observed, so that a try can be judged when it is over and watched while it runs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description.gas import gas_mass
from testbed.description.vehicle import Vehicle
from testbed.plan.geometry import separations
from testbed.plan.observation import Contact, Observation
from testbed.plan.poses import PlannedPose
from testbed.plan.samples import GAS, TRACK, TrySamples, joined, track


class TryLog:
    """Samples since the try began, the newest of each vehicle, and the closest that two vehicles have come."""

    def __init__(self, vehicles: Mapping[str, Vehicle], dimensions: int) -> None:
        self.dimensions = dimensions
        self.newest: dict[str, Any] = {}
        self.reference: dict[str, Any] = {}
        self.gas: dict[str, float] = {}
        self.new_contacts: Sequence[Contact] = ()
        self.worst_separation: float | None = None
        self.new_separation: float | None = None
        self._volumes = {name: vehicle.gas.volume for name, vehicle in vehicles.items()}
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
        for name in self._volumes:
            if (samples := self._new_track(name, seen)) is not None:
                new[name] = samples
                self.newest[name] = samples[-1]
                self._truth[name].append(samples)
            reference = seen.reference.get(name)
            if reference is not None and len(reference):
                self._reference[name].append(track(reference))
                self.reference[name] = self._reference[name][-1][-1]
            if (supply := seen.supply.get(name)) is not None:
                self.gas[name] = gas_mass(*supply, self._volumes[name])
                self._gas[name].append((seen.stamp, self.gas[name]))
        self.new_contacts = seen.contacts
        self._contacts.extend(seen.contacts)
        self.new_separation = self._closest(new)
        self.worst_separation = _smaller(self.new_separation, self.worst_separation)

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
