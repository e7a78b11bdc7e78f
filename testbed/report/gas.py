"""What became of the gas in a session: how much each tank gave, how far the rest goes, what is in the room's air."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from testbed.description.messages import NS_PER_S
from testbed.plan.configuration import Configuration
from testbed.plan.gas_outlook import Outlook, outlook
from testbed.plan.room_air import RoomAir, room_volume_of
from testbed.record.load import Recording
from testbed.report.session import Session


@dataclass(frozen=True)
class TankRow:
    """One vehicle's tank from the first to the last sample."""

    vehicle: str
    kind: str
    at_start_g: float
    left_g: float
    pressure: float
    """Lowest, Pa."""
    temperature: float
    """Lowest, K."""
    outlook: Outlook


@dataclass(frozen=True)
class GasAccount:
    """All tanks, and the most of the released gas that was in the room's air (ppm), at a stamp in ns."""

    rows: tuple[TankRow, ...]
    peak_ppm: float
    peak_stamp: int
    limit_ppm: float | None

    @property
    def exceeded(self) -> bool:
        """Whether there was more in the air than the plan's limit."""
        return self.limit_ppm is not None and self.peak_ppm > self.limit_ppm


def gas_account(recording: Recording, session: Session) -> GasAccount | None:
    """Account of a session's gas; None if no tank was measured."""
    configuration = session.configuration
    weighed = {
        name: recording.vehicles[name].gas(vehicle.gas)
        for name, vehicle in configuration.vehicles.items()
        if name in recording.vehicles
    }
    weighed = {name: gas for name, gas in weighed.items() if len(gas)}
    if not weighed:
        return None
    peak, stamp = _peak(configuration, weighed)
    rows = tuple(_row(recording, session, name, gas) for name, gas in weighed.items())
    return GasAccount(rows, peak, stamp, configuration.plan.gas_limit_ppm)


def _row(recording: Recording, session: Session, name: str, gas: NDArray[np.void]) -> TankRow:
    vehicle, seen = session.configuration.vehicles[name], recording.vehicles[name]
    pressures: Any = seen.pressure["pressure"]
    temperatures: Any = seen.temperature["temperature"]
    left = float(gas["mass"][-1])
    return TankRow(
        vehicle=name,
        kind=vehicle.gas.kind.replace("_", " "),
        at_start_g=1e3 * float(gas["mass"][0]),
        left_g=1e3 * left,
        pressure=float(pressures.min()),
        temperature=float(temperatures.min()),
        outlook=outlook(vehicle, session.configuration.place, left, float(temperatures[-1]), _per_run(session, name)),
    )


def _per_run(session: Session, name: str) -> float:
    """Most gas that a try used, kg; 0 if there was none."""
    used = [0.0]
    for run in session.runs:
        for one in run.tries:
            gas = one.samples.gas.get(name) if one.samples is not None else None
            if gas is not None and len(gas) and one.start is not None:
                stamps = gas["stamp"]
                first, last = (max(0, int(np.searchsorted(stamps, at, "right")) - 1) for at in (one.start, one.end))
                used.append(float(gas["mass"][first] - gas["mass"][last]))
    return max(used)


def _peak(configuration: Configuration, weighed: Mapping[str, NDArray[np.void]]) -> tuple[float, int]:
    """The most that was in the air, ppm, and when; as the conductor reckons it (plan.gas_account)."""
    samples: Sequence[tuple[int, str, float]] = sorted(
        (int(stamp), name, float(mass)) for name, gas in weighed.items() for stamp, mass in gas.tolist()
    )
    air = RoomAir.of(configuration.room)
    least: dict[str, float] = {}
    peak, peak_stamp, before = 0.0, samples[0][0], samples[0][0]
    for stamp, name, mass in samples:
        released = max(0.0, least.setdefault(name, mass) - mass)
        least[name] = min(least[name], mass)
        volume = room_volume_of(configuration.vehicles[name].gas.kind, released)
        air.advance((stamp - before) / NS_PER_S, volume)
        before = stamp
        if air.ppm > peak:
            peak, peak_stamp = air.ppm, stamp
    return peak, peak_stamp
