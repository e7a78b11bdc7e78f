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
    air_temperature: float = Field(default=294.15, ge=263.0, le=323.0, description="Measured air temperature, K")
    beacons: tuple[Beacon, ...] = Field(min_length=4, max_length=messages.MAX_BEACONS)

    @model_validator(mode="after")
    def _chirps_fit_the_cycle(self) -> Self:
        if self.cycle_ns % messages.TICK_NS:
            raise Inconsistent("a whole number of ticks of 0.01 s", "cycle")
        if self.slot * len(self.beacons) > self.cycle:
            raise Inconsistent(f"{len(self.beacons)} slots that fit a cycle of {self.cycle:g} s", "slot")
        return self

    @property
    def cycle_ns(self) -> int:
        """The cycle in nanoseconds."""
        return round(self.cycle * messages.NS_PER_S)

    def ranges_due(self, stamp: int, start: int) -> bool:
        """Whether the cloud of a finished cycle is due at this tick: a whole cycle after a pulse (all ns)."""
        return stamp % self.cycle_ns == 0 and stamp - self.cycle_ns >= start
