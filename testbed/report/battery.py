"""What became of the batteries in a session."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from testbed.record.load import Recording


@dataclass(frozen=True)
class BatteryRow:
    """One vehicle's battery from the first to the last message: charge 0 to 1, lowest voltage V."""

    vehicle: str
    at_start: float
    left: float
    voltage: float


def battery_rows(recording: Recording) -> tuple[BatteryRow, ...]:
    """A row for each vehicle whose battery was measured."""
    rows = []
    for name, one in recording.vehicles.items():
        charges: Any = one.battery["percentage"]
        voltages: Any = one.battery["voltage"]
        if len(charges):
            rows.append(BatteryRow(name, float(charges[0]), float(charges[-1]), float(voltages.min())))
    return tuple(rows)
