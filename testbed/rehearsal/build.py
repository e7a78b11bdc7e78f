"""What stands behind the topics of a session: the emulated plant and its random numbers."""

from __future__ import annotations

from testbed.description.effects import Actual, switch_off
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from testbed.model.radio import Radio
from testbed.plan.configuration import Configuration

FIRST_RUN = 0
"""Number of the rehearsal within a campaign; a rehearsal on its own is the first."""


def actual(configuration: Configuration) -> Actual:
    """What the plant of a session is built from: the files' values, without the effects that the plan switches off."""
    believed = Actual(
        tuple(configuration.vehicles.values()), configuration.room, configuration.beacons, configuration.noise
    )
    return switch_off(configuration.plan.switched_off, believed)


def build_plant(configuration: Configuration, run: int = FIRST_RUN, world: Actual | None = None) -> tuple[Plant, Draws]:
    """Return the emulated vehicles of a session in its room, and the streams that their noise comes from.

    world: what is actual, where that is not what `actual` makes of the files; flight code knows nothing of it.
    """
    world = world or actual(configuration)
    draws = Draws(configuration.seed, run, len(world.vehicles), world.noise.tracking is not None)
    return Plant(world.vehicles, world.room, world.beacons, world.noise, draws), draws


def build_radio(configuration: Configuration, world: Actual | None = None) -> Radio:
    """Return the radio between the vehicles of a session; `world` as for `build_plant`."""
    return Radio((world or actual(configuration)).noise.radio, len(configuration.vehicles))
