"""Gas that cannot suffice: the least that the planned motion and the slope of the table cost."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from testbed.description.errors import Problem
from testbed.description.gas import STANDARD_GRAVITY, gas_mass
from testbed.description.vehicle import Vehicle
from testbed.plan.authority import thrust_for_force, thrust_for_torque
from testbed.plan.checks.subject import Subject
from testbed.plan.criteria_schema import AnyAbort, GasUsed, LowGas
from testbed.plan.maneuvers import Rotate, Translate
from testbed.plan.timeline import Leg, heading


def check(subject: Subject) -> Iterator[Problem]:
    """Compare what is needed with what each tank holds and with what each run allows."""
    need = {
        (index, name): least_gas(subject, index, name) for index, _, poses, _ in subject.runs for name in poses.start
    }
    for name, vehicle in subject.configuration.vehicles.items():
        whole = sum(mass for (_, who), mass in need.items() if who == name)
        if math.isfinite(whole) and whole > usable_gas(vehicle):
            source = subject.configuration.sources[f"vehicles.{name}"]
            allowed = (
                f"gas for the whole plan, which takes {name} at least {1e3 * whole:.1f} g; "
                f"usable are {1e3 * usable_gas(vehicle):.1f} g"
            )
            yield source.problem(("gas", "pressure"), vehicle.gas.pressure, allowed)
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


def least_gas(subject: Subject, run_index: int, name: str) -> float:
    """Least mass of gas in kg that a run takes a vehicle: to start and stop each move, to hold against the slope."""
    vehicle, times = subject.configuration.vehicles[name], subject.timelines[run_index]
    if not math.isfinite(times.duration):
        return math.inf
    impulse = sum(_impulse(vehicle, leg) for leg in times.legs[name])
    tilt = math.hypot(*subject.table.tilt_mrad) * 1e-3
    impulse += vehicle.floor.mass * subject.table.gravity * tilt * times.duration
    return impulse / (vehicle.gas.specific_impulse * STANDARD_GRAVITY)


def usable_gas(vehicle: Vehicle) -> float:
    """Mass of gas in kg between the pressure at the start and the reserve."""
    gas = vehicle.gas
    return gas_mass(gas.pressure - gas.reserve_pressure, gas.temperature, gas.volume)


def _impulse(vehicle: Vehicle, leg: Leg) -> float:
    """Least impulse of all valves in N·s for one maneuver."""
    if leg.profile is None or leg.profile.distance <= 0.0:
        return 0.0
    if isinstance(leg.step, Translate):
        dx, dy = (leg.after.position[axis] - leg.before.position[axis] for axis in range(2))
        angle = math.atan2(dy, dx) - heading(leg.before)
        both = thrust_for_force(vehicle, angle) + thrust_for_force(vehicle, angle + math.pi)
        return vehicle.floor.mass * leg.profile.peak * both
    if isinstance(leg.step, Rotate):
        both = thrust_for_torque(vehicle, 1.0) + thrust_for_torque(vehicle, -1.0)
        return vehicle.floor.inertia[2] * leg.profile.peak * both
    return 0.0


def _aborts_at_once(subject: Subject) -> Iterator[Problem]:
    plan = subject.configuration.plan
    lists: list[tuple[tuple[str | int, ...], Sequence[AnyAbort]]] = [(("abort",), plan.abort)]
    lists += [(("runs", index, "abort"), run.abort or ()) for index, run in enumerate(plan.runs)]
    for where, aborts in lists:
        for number, abort in enumerate(aborts):
            if isinstance(abort, LowGas):
                for name, vehicle in subject.configuration.vehicles.items():
                    full = 1e3 * gas_mass(vehicle.gas.pressure, vehicle.gas.temperature, vehicle.gas.volume)
                    if abort.minimum_g >= full:
                        allowed = f"less than {full:.1f} g, the full tank of {name}"
                        yield subject.source.problem((*where, number, "minimum_g"), abort.minimum_g, allowed)
