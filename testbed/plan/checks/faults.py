"""Faults that name what is not there, or that begin when the try is over."""

from __future__ import annotations

from collections.abc import Iterator

from testbed.description.effects import Effect
from testbed.description.errors import Problem
from testbed.description.faults import BearingLost, CameraDark, Fault, RegulatorDroop, ReliefOpen, TableTilt, in_words
from testbed.description.source import Source
from testbed.plan.configuration import PLAN_ROLE, Configuration


def check(configuration: Configuration) -> Iterator[Problem]:
    """Look at the faults of the plan and of each run."""
    plan, source = configuration.plan, configuration.sources[PLAN_ROLE]
    longest = max(run.time_limit for run in plan.runs)
    for number, fault in enumerate(plan.faults):
        yield from _of_one(configuration, source, ("faults", number), fault, longest, "the longest time_limit")
    for index, run in enumerate(plan.runs):
        for number, fault in enumerate(run.faults):
            where = ("runs", index, "faults", number)
            yield from _of_one(configuration, source, where, fault, run.time_limit, "the time_limit")


def unknown_part(configuration: Configuration, fault: Fault) -> tuple[str, object, str] | None:
    """The field of a fault that names what the session does not have, its value, and what is allowed; else None."""
    name = str(getattr(fault, "vehicle", ""))
    if name and name not in configuration.vehicles:
        return "vehicle", name, f"a vehicle of the plan: {', '.join(configuration.vehicles)}"
    if isinstance(fault, BearingLost | TableTilt) and configuration.table is None:
        return "kind", in_words(fault).split()[0], "a fault that can happen in a cabin"
    if isinstance(fault, ReliefOpen) and configuration.vehicles[name].gas.relief is None:
        return "vehicle", name, "a vehicle with a relief valve (gas.relief)"
    if isinstance(fault, RegulatorDroop) and _holds_still(configuration, name):
        return (
            "vehicle",
            name,
            "a vehicle whose regulator droops (maximum_sag above 0, plenum_sag not switched off)",
        )
    if isinstance(fault, CameraDark) and name not in configuration.cameras_on():
        return "vehicle", name, f"a vehicle whose camera is on: {', '.join(configuration.cameras_on()) or 'none'}"
    for field, value in fault:
        if field == "beacon" and value >= len(configuration.beacons.beacons):
            return field, value, f"a beacon: 0 to {len(configuration.beacons.beacons) - 1}"
        if field == "receiver" and value >= len(configuration.vehicles[name].receivers):
            return field, value, f"a receiver of {name}: 0 to {len(configuration.vehicles[name].receivers) - 1}"
        if field in ("valve", "port"):
            vehicle = configuration.vehicles[name]
            names = [part.name for part in (vehicle.thrusters.valves if field == "valve" else vehicle.ports)]
            if value not in names:
                return field, value, f"a {field} of {name}: {', '.join(names) or 'none'}"
    return None


def _holds_still(configuration: Configuration, name: str) -> bool:
    """Whether a vehicle's regulator is a perfect one."""
    sag = configuration.vehicles[name].thrusters.maximum_sag
    return sag == 0.0 or Effect.PLENUM_SAG in configuration.plan.switched_off


def _of_one(
    configuration: Configuration,
    source: Source,
    where: tuple[str | int, ...],
    fault: Fault,
    limit: float,
    limit_name: str,
) -> Iterator[Problem]:
    if (unknown := unknown_part(configuration, fault)) is not None:
        field, value, allowed = unknown
        yield source.problem((*where, field), value, allowed)
    if fault.at >= limit:
        yield source.problem((*where, "at"), fault.at, f"less than {limit:g} s, {limit_name}")
