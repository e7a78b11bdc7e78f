"""A world in which one effect is on and everything else is ideal."""

from testbed.description.effects import Actual, Effect, switch_off
from testbed.description.noise import Noise
from testbed.model.draws import Draws
from testbed.model.plant import Plant
from tests.model.scene import BEACONS, FLAT, a_vehicle

DEFAULT_NOISE = Noise(name="default")


def world_with(*effects, vehicles=None, room=FLAT, beacons=BEACONS, noise=DEFAULT_NOISE):
    """The descriptions with all but these effects switched off; those keep the sizes that the descriptions give."""
    vehicles = (a_vehicle(),) if vehicles is None else vehicles
    return switch_off(set(Effect) - set(effects), Actual(tuple(vehicles), room, beacons, noise))


def plant_with(*effects, seed=1, **parts):
    """The plant of that world."""
    world = world_with(*effects, **parts)
    draws = Draws(seed, 0, len(world.vehicles))
    return Plant(world.vehicles, world.room, world.beacons, world.noise, draws)
