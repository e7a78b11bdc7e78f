"""How much of the gas that vehicles let out is in the air of the room: well mixed, with a stated exchange of air.

dc/dt = q/V - n·c, with the flow q of released gas, the volume V and the rate n at which the air is renewed; solved
exactly for the time between two steps. Near a vehicle there is more than in the mean of the room. Every gas used here
displaces oxygen; carbon dioxide is harmful long before that is felt.
"""

from __future__ import annotations

import math
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from testbed.description.cabin import Cabin
from testbed.description.gas_tables import GasKind, gas_table
from testbed.description.table import Table

ROOM_TEMPERATURE: Final = 293.15
ROOM_PRESSURE: Final = 101325.0
PARTS_PER_MILLION: Final = 1e6

Mass = TypeVar("Mass", float, NDArray[np.float64])


class RoomAir:
    """Concentration of released gas in a room; begins with none."""

    def __init__(self, volume: float, renewal: float) -> None:
        """Volume of air in m³, and how often per second it is renewed."""
        self.volume, self.renewal = volume, renewal
        self._share = 0.0

    @classmethod
    def of(cls, room: Table | Cabin) -> RoomAir:
        """The air around a table or in a cabin, as their files state it."""
        if isinstance(room, Table):
            return cls(room.room_volume, room.air_changes_per_hour / 3600.0)
        return cls(room.volume, room.ventilation.exchange / room.volume)

    @property
    def ppm(self) -> float:
        """Released gas in the air, parts per million by volume."""
        return self._share * PARTS_PER_MILLION

    def advance(self, seconds: float, released: float) -> None:
        """Let `seconds` s go by in which `released` m³ of gas (`room_volume_of`) come in evenly."""
        through = self.renewal * seconds
        came = released / self.volume
        if through > 0.0:
            came *= -math.expm1(-through) / through
        self._share = self._share * math.exp(-through) + came


def room_volume_of(kind: GasKind, mass: Mass) -> Mass:
    """Volume in m³ that `mass` kg of gas take up in the room: the ideal gas law at 20 °C and one atmosphere."""
    return mass * float(gas_table(kind)[0]["gas_constant"]) * ROOM_TEMPERATURE / ROOM_PRESSURE
