"""What a session knows of its gas: warnings, what is in the room's air, and how far the tanks still go."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from testbed.description.gas_tables import gas_table
from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.plan.gas_outlook import Outlook, Prospect
from testbed.plan.room_air import PARTS_PER_MILLION, RoomAir, room_volume_of

AT_THE_END: Final = 0.05
"""K above the coldest temperature of the table at which a tank counts as there."""
AGAIN_BELOW: Final = 0.9
"""Share of the limit below which the air must fall before another warning of it."""
SHARE_OF_ROUNDING: Final = 1e-9
OUTLOOK_NS: Final = NS_PER_S
"""How often the outlook is worked out anew."""


class GasAccount:
    """Takes in, at each step, pressure and temperature of each tank and the mass of gas that they tell.

    `unmodelled`: why thrust is no longer modelled, None while it is. `ppm`: released gas in the room's air. `cold`:
    whose tank has been warned of. `least`: smallest mass of each so far, kg.
    """

    def __init__(self, configuration: Configuration) -> None:
        self.unmodelled: str | None = None
        self._configuration = configuration
        self._air = RoomAir.of(configuration.room)
        self._limit = configuration.plan.gas_limit_ppm
        self._stamp: int | None = None
        self._mass: dict[str, float] = {}
        self.least: dict[str, float] = {}
        self._at_start: dict[str, float] = {}
        self._per_run: dict[str, float] = {}
        self.cold: set[str] = set()
        self._exceeded = False
        self._outlooks: dict[str, dict[str, float | int | None]] | None = {}
        self._prospects: dict[str, Prospect] = {}
        self._outlook_stamp: int | None = None
        self._known: tuple[Mapping[str, float], Mapping[str, tuple[float, float]], Mapping[str, float]] = ({}, {}, {})

    @property
    def ppm(self) -> float:
        """Released gas in the air of the room, parts per million by volume."""
        return self._air.ppm

    @property
    def allowance(self) -> float:
        """So much gas in m³ may come into the room, none being renewed, before there is another warning of its air."""
        if self._limit is None:
            return math.inf
        left = (1.0 - AGAIN_BELOW) * self._limit if self._exceeded else self._limit - self.ppm
        return self._air.volume * left / PARTS_PER_MILLION * (1.0 - SHARE_OF_ROUNDING)

    def step(self, stamp: int, supply: Mapping[str, tuple[float, float]], mass: Mapping[str, float]) -> list[str]:
        """Take in what is known at `stamp` (ns): Pa and K, and kg, by vehicle. New warnings, a sentence each."""
        warnings = [text for name, (_, temperature) in supply.items() for text in self._look(name, temperature)]
        self._mass = dict(mass)
        seconds = 0.0 if self._stamp is None else (stamp - self._stamp) / NS_PER_S
        self._stamp = stamp
        self._air.advance(seconds, sum(self._released(name, one) for name, one in mass.items()))
        warnings += self._air_warnings()
        if self._outlook_due(stamp):
            self._outlooks, self._known = None, (self._mass, supply, dict(self._per_run))
        return warnings

    def book(self, stamps: Sequence[int], weighed: NDArray[np.void]) -> None:
        """As `step` for several steps that give no warning; weighed: stirs.WEIGHED, shape (stamps, vehicles)."""
        released = np.zeros(len(stamps))
        for v, name in enumerate(self.least):
            lowest = np.minimum.accumulate(np.append(self.least[name], weighed[:, v]["gauge"]["mass"]))
            self.least[name] = float(lowest[-1])
            released += room_volume_of(self._configuration.vehicles[name].gas.kind, lowest[:-1] - lowest[1:])
        newest = -1
        for k, (stamp, volume) in enumerate(zip(stamps, released.tolist(), strict=True)):
            seconds = 0.0 if self._stamp is None else (stamp - self._stamp) / NS_PER_S
            self._stamp = stamp
            self._air.advance(seconds, volume)
            warnings = self._air_warnings()
            assert not warnings, f"the step at {stamp} was no quiet one: {warnings}"
            newest = k if self._outlook_due(stamp) else newest
        self._mass = self._masses(weighed[-1])
        if newest >= 0:
            one = weighed[newest]
            pairs = zip(one["pressure"].tolist(), one["temperature"].tolist(), strict=True)
            supply = dict(zip(self.least, pairs, strict=True))
            self._outlooks, self._known = None, (self._masses(one), supply, dict(self._per_run))

    def begin_try(self) -> None:
        """A try begins to run."""
        self._at_start = dict(self._mass)

    def end_try(self) -> None:
        """A try that began to run is over: what it used is what a run takes, at least."""
        for name, before in self._at_start.items():
            used = before - self._mass.get(name, before)
            self._per_run[name] = max(self._per_run.get(name, 0.0), used)
        self._at_start = {}

    def outlooks(self) -> dict[str, dict[str, float | int | None]]:
        """How far each tank still goes, as plain values; runs like the thirstiest so far."""
        if self._outlooks is None:  # worked out when asked for: it takes long, and the engine seldom asks
            mass, supply, per_run = self._known
            self._outlooks = {
                name: self._outlook(name, one, supply[name][1], per_run.get(name, 0.0)).as_data()
                for name, one in mass.items()
                if name in supply
            }
        return self._outlooks

    def _outlook_due(self, stamp: int) -> bool:
        """Whether the outlook is to be worked out anew from what is known at this stamp (ns)."""
        due = self._outlook_stamp is None or stamp - self._outlook_stamp >= OUTLOOK_NS
        if due:
            self._outlook_stamp = stamp
        return due

    def _masses(self, weighed: NDArray[np.void]) -> dict[str, float]:
        """Mass by vehicle of one step, kg."""
        return dict(zip(self.least, weighed["gauge"]["mass"].tolist(), strict=True))

    def _released(self, name: str, mass: float) -> float:
        """Volume in m³ that has come into the room since the step before; noise of a gauge lets nothing out twice."""
        before = self.least.setdefault(name, mass)
        if mass >= before:
            return 0.0
        self.least[name] = mass
        return room_volume_of(self._configuration.vehicles[name].gas.kind, before - mass)

    def _look(self, name: str, temperature: float) -> list[str]:
        gas = self._configuration.vehicles[name].gas
        warnings = []
        if temperature < gas.warning_temperature and name not in self.cold:
            self.cold.add(name)
            liquid = gas.kind == "carbon_dioxide"
            why = "it cools as it boils off, and solid forms at 216.6 K" if liquid else "it cools as it expands"
            warnings.append(f"the tank of {name} is down to {temperature:.1f} K: {why}; fire less, or let it warm up")
        elif temperature > gas.warning_temperature + 1.0:
            self.cold.discard(name)
        if self.unmodelled is None and temperature <= float(gas_table(gas.kind)[0]["coldest"]) + AT_THE_END:
            what = "solid carbon dioxide forms" if gas.kind == "carbon_dioxide" else f"{gas.kind} is too cold"
            self.unmodelled = f"{what} in the tank of {name}, {temperature:.1f} K: thrust is not modelled from here on"
            warnings.append(self.unmodelled)
        return warnings

    def _air_warnings(self) -> list[str]:
        if self._limit is None:
            return []
        if self.ppm > self._limit and not self._exceeded:
            self._exceeded = True
            return [
                f"{self.ppm:.0f} ppm of released gas in the room's air, {self._limit:g} ppm is the plan's limit: it "
                "displaces oxygen; air the room"
            ]
        self._exceeded = self._exceeded and self.ppm > AGAIN_BELOW * self._limit
        return []

    def _outlook(self, name: str, mass: float, temperature: float, per_run: float) -> Outlook:
        if name not in self._prospects:
            place: Any = self._configuration.place
            self._prospects[name] = Prospect(self._configuration.vehicles[name], place)
        return self._prospects[name].outlook(mass, temperature, per_run)
