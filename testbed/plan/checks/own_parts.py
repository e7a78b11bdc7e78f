"""A user's own guidance or estimator that cannot be imported or built."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import ConfigurationError, Problem
from testbed.plan.configuration import Configuration
from testbed.plan.own_parts import estimator_of, guidance_of


def check(configuration: Configuration) -> Iterator[Problem]:
    """Build every part that a vehicle file names, as the session would."""
    for name, vehicle in configuration.vehicles.items():
        builders = {"guidance": guidance_of, "estimator": estimator_of}
        for kind, build in builders.items():
            if getattr(vehicle.own, kind) is not None:
                try:
                    build(configuration, name, configuration.active_axes)
                except ConfigurationError as error:
                    yield from error.problems
