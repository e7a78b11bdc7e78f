"""Guidance and estimator of a vehicle: ours, or the user's own classes that its file names."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Literal, TypeVar

from testbed.description.errors import ConfigurationError
from testbed.flight.estimation import Estimator
from testbed.flight.guidance import Guidance
from testbed.flight.own import OwnEstimator, OwnGuidance, OwnPartError, load_class
from testbed.plan.configuration import PLAN_ROLE, Configuration

Part = TypeVar("Part")
Kind = Literal["guidance", "estimator"]


def guidance_of(configuration: Configuration, name: str, axes: tuple[str, ...]) -> Guidance | OwnGuidance:
    """Build the guidance of the vehicle of that name; `axes`: those that are free.

    Raises:
        ConfigurationError: the vehicle file names a class that cannot be used, with its line.

    """
    vehicle, place = configuration.vehicles[name], configuration.place
    if vehicle.own.guidance is None:
        return Guidance(vehicle, place, axes)
    return _own(configuration, name, "guidance", lambda found: OwnGuidance(found, vehicle, place, axes))


def estimator_of(configuration: Configuration, name: str, axes: tuple[str, ...]) -> Estimator | OwnEstimator:
    """Build the estimator of the vehicle of that name. Raises as `guidance_of` does."""
    vehicle, place = configuration.vehicles[name], configuration.place
    beacons, noise, room = configuration.beacons, configuration.noise, configuration.room
    if vehicle.own.estimator is None:
        return Estimator(vehicle, beacons, noise, place, axes, room)
    return _own(
        configuration, name, "estimator", lambda found: OwnEstimator(found, vehicle, beacons, noise, place, axes, room)
    )


def own_folders(configuration: Configuration, name: str) -> list[Path]:
    """Folders in which a user's modules are found: that of the vehicle file, then that of the plan."""
    roles = (f"vehicles.{name}", PLAN_ROLE)
    return list(dict.fromkeys(configuration.sources[role].path.absolute().parent for role in roles))


def _own(configuration: Configuration, name: str, kind: Kind, build: Callable[[type], Part]) -> Part:
    import_path = getattr(configuration.vehicles[name].own, kind)
    try:
        return build(load_class(import_path, own_folders(configuration, name)))
    except OwnPartError as error:
        source = configuration.sources[f"vehicles.{name}"]
        raise ConfigurationError([source.problem(("own", kind), import_path, str(error))]) from error
