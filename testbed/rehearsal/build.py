"""What stands behind the topics of a session: the emulated plant and its random numbers."""

from __future__ import annotations

from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.plan.configuration import Configuration

FIRST_RUN = 0
"""Number of the rehearsal within a campaign; a rehearsal on its own is the first."""


def build_plant(configuration: Configuration, run: int = FIRST_RUN) -> tuple[Plant, Draws]:
    """Return the emulated vehicles of a session in its room, and the streams that their noise comes from."""
    vehicles = list(configuration.vehicles.values())
    room = configuration.table if configuration.table is not None else configuration.cabin
    assert room is not None, "the schema of a plan sees to it that one of both is there"
    draws = Draws(configuration.seed, run, len(vehicles))
    return Plant(vehicles, room, configuration.beacons, configuration.noise, draws), draws
