"""The ultrasound beacons and the air that their chirps travel through."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from testbed.description import messages
from testbed.description.model import Description, Inconsistent, Vector


class Beacon(Description):
    """One beacon, surveyed in the fixed frame."""

    position: Vector = Field(description="Surveyed position in the fixed frame, m")


class Beacons(Description):
    """All beacons of a place: each cycle starts with an infrared pulse, then one chirp per slot."""

    name: str
    note: str = ""
    cycle: float = Field(default=0.25, ge=0.1, le=2.0, description="Time between infrared start pulses, s; whole ticks")
    slot: float = Field(default=0.04, ge=0.02, le=0.5, description="Time between chirps of a cycle, s")
    emitters: tuple[Vector, ...] | None = Field(
        default=None,
        max_length=messages.MAX_EMITTERS,
        description="Emitters of the infrared start pulse, fixed frame, m; a vehicle must see one of them. Without "
        "this key one above the middle of the beacons, as high as the highest; [] where the pulse comes another way",
    )
    air_temperature: float = Field(default=294.15, ge=263.0, le=323.0, description="Measured air temperature, K")
    air_humidity: float = Field(
        default=0.0, ge=0.0, le=1.0, description="Measured relative humidity of the air, 0 to 1"
    )
    beacons: tuple[Beacon, ...] = Field(min_length=4, max_length=messages.MAX_BEACONS)

    @model_validator(mode="after")
    def _chirps_fit_the_cycle(self) -> Self:
        if self.cycle_ns % messages.TICK_NS:
            raise Inconsistent("a whole number of ticks of 0.01 s", "cycle")
        if self.slot * len(self.beacons) > self.cycle:
            raise Inconsistent(f"{len(self.beacons)} slots that fit a cycle of {self.cycle:g} s", "slot")
        return self

    @property
    def emitter_positions(self) -> tuple[Vector, ...]:
        """Where the infrared start pulse comes from, fixed frame, m."""
        if self.emitters is not None:
            return self.emitters
        x, y, z = zip(*(beacon.position for beacon in self.beacons), strict=True)
        return ((sum(x) / len(x), sum(y) / len(y), max(z)),)

    @property
    def cycle_ns(self) -> int:
        """The cycle in nanoseconds."""
        return round(self.cycle * messages.NS_PER_S)

    def ranges_due(self, stamp: int, start: int) -> bool:
        """Whether the cloud of a finished cycle is due at this tick: a whole cycle after a pulse (all ns)."""
        return stamp % self.cycle_ns == 0 and stamp - self.cycle_ns >= start
