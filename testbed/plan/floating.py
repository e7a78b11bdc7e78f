"""How long carriages still float, and which have touched down, by the pressure of their air."""

from __future__ import annotations

from collections.abc import Mapping

from testbed.description.table import Table


class Floating:
    """Watches the carriages of a session on a table; in the cabin there are none. `landed`: who has touched down."""

    def __init__(self, table: Table | None) -> None:
        self._table = table
        self.landed: set[str] = set()

    def left(self, carriage: Mapping[str, float]) -> dict[str, float]:
        """Seconds that each vehicle still floats, by the pressure Pa of its carriage's air."""
        if self._table is None:
            return {}
        bearing, time = self._table.bearing, self._table.bearing_supply_time
        share = {
            name: (pressure - bearing.float_pressure) / (bearing.start_pressure - bearing.float_pressure)
            for name, pressure in carriage.items()
        }
        return {name: time * max(0.0, one) for name, one in share.items()}

    def new_landings(self, carriage: Mapping[str, float]) -> list[str]:
        """Vehicles that have touched down since the last call."""
        if self._table is None:
            return []
        low = {name for name, pressure in carriage.items() if pressure < self._table.bearing.float_pressure}
        new = [name for name in carriage if name in low - self.landed]
        self.landed = low
        return new
