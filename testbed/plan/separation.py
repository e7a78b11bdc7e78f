"""Who the safety filter of each vehicle keeps it apart from, and what the plan states of them."""

from __future__ import annotations

from testbed.flight.modulation import share_lost, windows_of
from testbed.flight.separation import Company, Partner, memory
from testbed.flight.separation.standing import standing
from testbed.plan.configuration import Configuration
from testbed.plan.flight_limits import flight_limits


def company(configuration: Configuration, name: str) -> Company | None:
    """The partners of a vehicle, in the order of the session; None where it flies alone or without a filter."""
    asked, vehicles = configuration.plan.limits.separation, configuration.vehicles
    if len(vehicles) < 2 or not asked.guaranteed:
        return None
    errors = asked.position_error, asked.velocity_error
    partners = tuple(
        Partner(one, minimum(configuration), *errors, asked.stray, _usable(configuration, partner))
        for partner, one in vehicles.items()
        if partner != name
    )
    return Company(partners, *errors, asked.stray)


def minimum(configuration: Configuration) -> float:
    """Separation that the filter keeps any two vehicles to, centre to centre, m."""
    asked = configuration.plan.limits.separation.minimum
    return configuration.room.separation if asked is None else asked


def kept_standing(configuration: Configuration, name: str) -> dict[str, float]:
    """How far from each partner, m, the filter of a vehicle lets both stand; none where there is no filter.

    Raises ValueError where the filter cannot keep apart from its company.
    """
    around = company(configuration, name)
    if around is None:
        return {}
    parameters = memory.parameters_of(
        configuration.vehicles[name], configuration.place, configuration.active_axes, around.partners,
        around.position_error, around.velocity_error, around.stray, flight_limits(configuration, name),
        _usable(configuration, name),
    )  # fmt: skip
    names = [one for one in configuration.vehicles if one != name]
    return {one: standing(parameters[0], k) for k, one in enumerate(names)}


def _usable(configuration: Configuration, name: str) -> float:
    vehicle = configuration.vehicles[name]
    return 1.0 - share_lost(windows_of(vehicle, configuration.beacons, configuration.room), vehicle)
