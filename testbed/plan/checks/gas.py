"""Gas that cannot suffice: the least that the planned motion and the slope of the table cost."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from testbed.description.errors import Problem
from testbed.description.gas import STANDARD_GRAVITY
from testbed.description.vehicle import Vehicle
from testbed.plan.authority import Place, least_thrust_for_force
from testbed.plan.checks.subject import Subject
from testbed.plan.criteria_schema import AnyAbort, GasUsed, LowGas
from testbed.plan.leg import Leg
from testbed.plan.maneuvers import Translate
from testbed.plan.profile import gas_per_rate, gas_per_speed
from testbed.plan.room_air import RoomAir, room_volume_of


def check(subject: Subject) -> Iterator[Problem]:
    """Compare what is needed with what each tank holds and with what each run allows."""
    need = {
        (index, name): least_gas(subject, index, name) for index, _, poses, _ in subject.runs for name in poses.start
    }
    for name, vehicle in subject.configuration.vehicles.items():
        whole = sum(mass for (_, who), mass in need.items() if who == name)
        usable = vehicle.gas.usable_mass()
        if math.isfinite(whole) and whole > usable:
            source = subject.configuration.sources[f"vehicles.{name}"]
            allowed = (
                f"gas for the whole plan, which takes {name} at least {1e3 * whole:.1f} g; "
                f"usable are {1e3 * usable:.1f} g"
            )
            key, value = vehicle.gas.filling()
            yield source.problem(("gas", key), value, allowed)
    for index, run, poses, _ in subject.runs:
        for number, criterion in enumerate(run.criteria):
            if isinstance(criterion, GasUsed):
                for name in criterion.vehicles or poses.start:
                    least = 1e3 * need.get((index, name), 0.0)
                    if math.isfinite(least) and least > criterion.limit_g:
                        where = ("runs", index, "criteria", number, "limit_g")
                        yield subject.source.problem(
                            where, criterion.limit_g, f"at least {least:.1f} g, which {name} needs"
                        )
    yield from _aborts_at_once(subject)
    yield from _room(subject)


def least_gas(subject: Subject, run_index: int, name: str) -> float:
    """Least mass of gas in kg that a run takes a vehicle: to start and stop each move, to hold against the slope."""
    vehicle, times = subject.configuration.vehicles[name], subject.timelines[run_index]
    if not math.isfinite(times.duration):
        return math.inf
    moving = sum(_moving(vehicle, subject.place, leg) for leg in times.legs[name])
    return moving + holding_flow(subject, name) * times.duration


def holding_flow(subject: Subject, name: str) -> float:
    """Least gas in kg/s that a vehicle takes to hold against the slope of the table."""
    if (table := subject.configuration.table) is None:
        return 0.0
    vehicle, tilt = subject.configuration.vehicles[name], math.hypot(*table.tilt_mrad) * 1e-3
    return vehicle.floor.mass * table.gravity * tilt / (vehicle.gas.specific_impulse * STANDARD_GRAVITY)


def _moving(vehicle: Vehicle, place: Place, leg: Leg) -> float:
    """Least gas in kg to start and stop one maneuver; of a formation's, for all acceleration of way and place."""
    if leg.way is not None:
        speeds = leg.way.motion.effort() * vehicle.mass_properties(place).mass * least_thrust_for_force(vehicle, place)
        return speeds / (vehicle.gas.specific_impulse * STANDARD_GRAVITY)
    if leg.profile is None or leg.profile.distance <= 0.0:
        return 0.0
    each = gas_per_speed if isinstance(leg.step, Translate) else gas_per_rate
    return leg.profile.peak * each(vehicle, place, leg.before, leg.after)


def _room(subject: Subject) -> Iterator[Problem]:
    """The whole gas of all tanks at once, as after a relief valve or a leak, against the plan's limit."""
    configuration = subject.configuration
    limit, air = configuration.plan.gas_limit_ppm, RoomAir.of(configuration.room)
    supplies = [vehicle.gas for vehicle in configuration.vehicles.values()]
    air.advance(0.0, sum(room_volume_of(gas.kind, gas.start_mass()) for gas in supplies))
    if limit is not None and air.ppm > limit:
        allowed = (
            f"at least {math.ceil(air.ppm)}, what all gas of all tanks at once is in the {air.volume:.0f} m³ of air, "
            "where it displaces oxygen; or a larger room, or less gas"
        )
        yield subject.source.problem(("gas_limit_ppm",), limit, allowed)


def _aborts_at_once(subject: Subject) -> Iterator[Problem]:
    plan = subject.configuration.plan
    lists: list[tuple[tuple[str | int, ...], Sequence[AnyAbort]]] = [(("abort",), plan.abort)]
    lists += [(("runs", index, "abort"), run.abort or ()) for index, run in enumerate(plan.runs)]
    for where, aborts in lists:
        for number, abort in enumerate(aborts):
            if isinstance(abort, LowGas):
                for name, vehicle in subject.configuration.vehicles.items():
                    full = 1e3 * vehicle.gas.start_mass()
                    if abort.minimum_g >= full:
                        allowed = f"less than {full:.1f} g, the full tank of {name}"
                        yield subject.source.problem((*where, number, "minimum_g"), abort.minimum_g, allowed)
