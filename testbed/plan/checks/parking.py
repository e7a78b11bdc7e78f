"""Parking positions on which a carriage does not fit, or too few of them."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.errors import Problem
from testbed.description.source import Excerpt
from testbed.plan.checks.subject import Subject


def check(subject: Subject) -> Iterator[Problem]:
    """Give each vehicle of the plan the next parking position of its table; a table without any is left alone."""
    table, vehicles = subject.configuration.table, list(subject.configuration.vehicles.values())
    if table is None or not table.parking:
        return
    source = subject.configuration.sources["table"]
    if len(table.parking) < len(vehicles):
        allowed = f"{len(vehicles)} or more, one for each vehicle of the plan, or none"
        yield source.problem(("parking",), Excerpt(f"{len(table.parking)} positions"), allowed)
    for index, (one, vehicle) in enumerate(zip(table.parking, vehicles, strict=False)):
        radius = vehicle.contact_radius("table")
        if not table.inside((one.x, one.y), radius):
            allowed = f"{radius:g} m or more from every edge, the radius of {vehicle.name}"
            yield source.problem(("parking", index), [one.x, one.y], allowed)
