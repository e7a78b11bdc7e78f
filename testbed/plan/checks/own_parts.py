"""A user's own guidance or estimator that cannot be imported or built, or a guidance that cannot fly its formation."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import ConfigurationError, Problem
from testbed.flight.own import OwnGuidance
from testbed.plan.configuration import PLAN_ROLE, Configuration
from testbed.plan.own_parts import estimator_of, guidance_of


def check(configuration: Configuration) -> Iterator[Problem]:
    """Build every part that a vehicle file names, as the session would."""
    for name, vehicle in configuration.vehicles.items():
        builders = {"guidance": guidance_of, "estimator": estimator_of}
        for kind, build in builders.items():
            if getattr(vehicle.own, kind) is not None:
                try:
                    part = build(configuration, name, configuration.active_axes)
                except ConfigurationError as error:
                    yield from error.problems
                else:
                    if isinstance(part, OwnGuidance) and not part.flies_formations:
                        yield from _in_formations(configuration, name)


def _in_formations(configuration: Configuration, name: str) -> Iterator[Problem]:
    """A problem of each formation that names a vehicle whose own guidance takes no trajectory."""
    for formation, one in configuration.plan.formations.items():
        if name in one.vehicles:
            allowed = f"vehicles whose guidance has accept_trajectory, which {name}'s own lacks"
            location = ("formations", formation, "vehicles", one.vehicles.index(name))
            yield configuration.sources[PLAN_ROLE].problem(location, name, allowed)
